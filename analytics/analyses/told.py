"""Whom a number of a network counts: what each batch of feet tells, and what it comes to."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from analytics.analyses.view import View
from analytics.results import Context


@dataclass(frozen=True)
class Told:
    """Feet analysed, and those left out.

    Parameters
    ----------
    n_feet, n_children, n_events
        Sizes; a child is whole in a batch.
    clinics
        Their clinics.
    exclusions
        Reason and feet taken out by it.
    """

    n_feet: int
    n_children: int
    n_events: int
    clinics: frozenset[str]
    exclusions: tuple[tuple[str, int], ...] = ()


def tell_feet(
    feet: pd.DataFrame, exclusions: tuple[tuple[str, int], ...] = (), *, n_events: int = 0
) -> Told:
    """Return what some feet come to."""
    clinics = frozenset(feet["clinic"].dropna().unique())
    return Told(len(feet), int(feet["child"].nunique()), n_events, clinics, exclusions)


def tell_places(
    view: View, place: np.ndarray, exclusions: tuple[tuple[str, int], ...] = ()
) -> Told:
    """Return what the feet in some places come to, but for events."""
    clinic = view.rules.values("clinic")
    here = np.flatnonzero(np.bincount(clinic.held[place][clinic.known[place]]))
    words = [] if clinic.words is None else clinic.words[here].tolist()
    n_children = int((np.bincount(view.child[place]) > 0).sum())
    return Told(len(place), n_children, 0, frozenset(words), exclusions)


def add_told(parts: Sequence[Told], reasons: Sequence[str] = ()) -> Told:
    """Return what all batches come to.

    Parameters
    ----------
    parts
        Of each batch.
    reasons
        All reasons there can be, in the order in which they are told.
    """
    counts = dict.fromkeys(reasons, 0)
    for reason, n in (pair for part in parts for pair in part.exclusions):
        counts[reason] += n
    sizes = [(part.n_feet, part.n_children, part.n_events) for part in parts]
    n_feet, n_children, n_events = map(int, np.sum([(0, 0, 0), *sizes], axis=0))
    clinics = frozenset[str]().union(*(part.clinics for part in parts))
    return Told(
        n_feet, n_children, n_events, clinics, tuple(pair for pair in counts.items() if pair[1])
    )


def stand_beside(context: Context, told: Told, *, events: bool = True) -> Context:
    """Return a context with the sizes of a network in place of those of no feet."""
    return replace(
        context,
        n_feet=told.n_feet,
        n_children=told.n_children,
        n_clinics=len(told.clinics),
        n_events=told.n_events if events else None,
        exclusions=told.exclusions,
    )
