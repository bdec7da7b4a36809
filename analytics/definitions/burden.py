"""Published numbers that a programme's own counts are set against, with their sources."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from datetime import date
from typing import Any

from analytics.errors import SettingsError


@dataclass(frozen=True)
class Published:
    """A published number with its interval; where no interval was published, a declared range.

    Parameters
    ----------
    value, lower, upper
        The number and its ends, in ``unit``.
    unit
        What it is counted in.
    source
        Where it stands.
    """

    value: float
    lower: float
    upper: float
    unit: str
    source: str


#: Clubfoot at birth. 44 818 965 births in 35 studies.
BIRTH_PREVALENCE = Published(
    1.18,
    1.00,
    1.36,
    "per 1000 live births",
    "Smythe 2023, Tropical Medicine & International Health",
)

#: Healthy years that treatment of one child is worth. The range is ours: none was published.
DALYS_PER_CHILD = Published(
    7.42, 5.94, 8.90, "healthy years per child", "Grimes 2016, assuming success in 90%"
)

#: Share of children for whom treatment succeeds in that estimate.
SUCCESS_ASSUMED = Published(0.90, 0.90, 0.90, "share", "Grimes 2016")

#: Cost of treating one child there, for comparison.
COST_PER_CHILD = Published(167.0, 167.0, 167.0, "US dollars per child", "Grimes 2016")

#: Part of the spending that may have been counted wrongly, such as shared salaries.
SPENDING_RANGE = Published(1.0, 0.9, 1.1, "times what was stated", "a range of 10%, ours")


@dataclass(frozen=True)
class Burden:
    """The published numbers in force; a settings file may replace any."""

    birth_prevalence: Published = BIRTH_PREVALENCE
    dalys_per_child: Published = DALYS_PER_CHILD
    success_assumed: Published = SUCCESS_ASSUMED
    spending_range: Published = SPENDING_RANGE


@dataclass(frozen=True)
class Spending:
    """What a programme spent.

    Parameters
    ----------
    period
        As written: ``2025`` or ``2025Q3``.
    first_on, last_on
        First and last day of the period.
    currency
        Code of the currency, ISO 4217.
    amount
        In that currency.
    """

    period: str
    first_on: date
    last_on: date
    currency: str
    amount: float


def build_burden(overrides: dict[str, Any], *, where: str) -> Burden:
    """Return the published numbers with those that a settings file replaces.

    Parameters
    ----------
    overrides
        Name to ``[value, lower, upper]``.
    where
        File and section, for the error message.

    Raises
    ------
    SettingsError
        When there is no such number, or it is not three numbers in order above zero.
    """
    known = {f.name for f in fields(Burden)}
    changed = {}
    for name, given in overrides.items():
        if name not in known:
            raise SettingsError(
                f"there is no published number called '{name}'",
                where=where,
                allowed=", ".join(sorted(known)),
                todo="correct the name or take the line out",
            )
        if not _is_range(given):
            raise SettingsError(
                f"'{name}' is {given!r}",
                where=where,
                allowed="[value, lower, upper] with 0 < lower <= value <= upper",
                todo=f"write {name} = [1.18, 1.00, 1.36], or take the line out",
            )
        value, lower, upper = (float(part) for part in given)
        old: Published = getattr(Burden(), name)
        changed[name] = Published(value, lower, upper, old.unit, "set by the programme")
    return replace(Burden(), **changed)


def _is_range(given: Any) -> bool:
    if not isinstance(given, list) or len(given) != 3:
        return False
    if not all(isinstance(g, int | float) and not isinstance(g, bool) for g in given):
        return False
    value, lower, upper = given
    return 0 < lower <= value <= upper
