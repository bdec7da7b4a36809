"""Disclosure policy by audience: what may be shown to whom."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Policy:
    """What a result may show.

    Parameters
    ----------
    audience
        Who reads it.
    smallest_count
        Counts from 0 to one below this are withheld, and a step of a figure is worth at least as
        many units; 0 withholds nothing.
    rounded_to
        Counts are given to the nearest multiple of this; 1 gives them as they are.
    smallest_base
        Figures that rest on fewer units than this are withheld.
    smallest_at_risk
        Curves end before fewer children than this remain at risk.
    smallest_unit_children
        Clinics with fewer children are merged into one row; 0 merges none.
    names_clinics
        Whether clinics appear under their names, or as coded letters.
    months_only
        Whether dates are shown as months.
    traceable
        Whether rows and children may be listed.
    clinic_pages
        Whether each clinic has a page of its own, with its name and its numbers.
    """

    audience: str
    smallest_count: int
    rounded_to: int
    smallest_base: int
    smallest_at_risk: int
    smallest_unit_children: int
    names_clinics: bool
    months_only: bool
    traceable: bool
    clinic_pages: bool


INTERNAL = Policy(
    "internal", smallest_count=0, rounded_to=1, smallest_base=0, smallest_at_risk=10,
    smallest_unit_children=0, names_clinics=True, months_only=False, traceable=True,
    clinic_pages=True,
)  # fmt: skip
PUBLIC = Policy(
    "public", smallest_count=5, rounded_to=10, smallest_base=50, smallest_at_risk=10,
    smallest_unit_children=10, names_clinics=False, months_only=True, traceable=False,
    clinic_pages=False,
)  # fmt: skip

POLICIES: dict[str, Policy] = {p.audience: p for p in (INTERNAL, PUBLIC)}
