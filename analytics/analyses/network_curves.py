"""Curves of a network in parts: risk tables of batches add up, then influence by child."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from analytics.analyses import cast_steps, incidence, time_to
from analytics.analyses.context import describe, why_not
from analytics.analyses.followed import COMPETING, EVENT, time_feet
from analytics.analyses.in_parts import Asked
from analytics.analyses.told import Told, add_told, stand_beside, tell_feet, tell_places
from analytics.analyses.view import View, renumber
from analytics.courses.cohort import Cohort
from analytics.definitions.endpoints import ENDPOINTS, Endpoint
from analytics.definitions.rules import names_in
from analytics.errors import NotEstimableError
from analytics.results import Context, Result
from analytics.stats.blocks import derive
from analytics.stats.competing import incidence_over
from analytics.stats.spells import Spells
from analytics.stats.survival import product_limit_over

#: What every foot is known by.
KNOWN_BY = frozenset({"child", "side", "clinic", "started_on", "last_seen_on"})


@dataclass(frozen=True)
class FollowedFeet:
    """Asks for feet under an endpoint, as spells of the event and of what competes with it."""

    endpoint: str

    @property
    def columns(self) -> frozenset[str]:
        """Return the columns of the foot that it looks at."""
        return KNOWN_BY | columns_of(ENDPOINTS[self.endpoint])

    def look(self, view: View) -> tuple[Told, list[Spells]]:
        """Return whom it counts, and their spells."""
        timed = time_feet(view, ENDPOINTS[self.endpoint])
        told = tell_places(view, timed.place, timed.exclusions)
        spells = Spells(
            time=timed.time.astype(float),
            event=timed.ended,
            entry=timed.entry.astype(float) if timed.entry.any() else None,
            cluster=renumber(view.child[timed.place]),
            weights=None,
        )
        n_events = int((timed.ended == EVENT).sum())
        return replace(told, n_events=n_events), [spells] if told.n_feet else []


@dataclass(frozen=True)
class FeetInCasts:
    """Asks for feet with a cast, as spells in casts until correction."""

    @property
    def columns(self) -> frozenset[str]:
        """Return the columns of the foot that it looks at."""
        return KNOWN_BY | {"n_casts", "is_corrected"}

    def look(self, view: View) -> tuple[Told, list[Spells]]:
        """Return whom it counts, and their spells."""
        rows, exclusions = cast_steps.find_begun(view.only(self.columns))
        event = rows["is_corrected"].to_numpy(dtype=bool).astype(np.int64)
        told = tell_feet(rows, exclusions, n_events=int(event.sum()))
        child = pd.factorize(rows["child"])[0].astype(np.int64)
        spells = Spells(rows["n_casts"].to_numpy(dtype=float), event, None, child, None)
        return told, [spells] if len(rows) else []


def columns_of(endpoint: Endpoint) -> frozenset[str]:
    """Return the columns of the foot that an endpoint names."""
    days = (endpoint.origin, endpoint.seen_free, endpoint.until, endpoint.enters)
    rules = names_in(endpoint.population) if endpoint.population else ()
    return frozenset({*days, *endpoint.events, *endpoint.competing, *rules} - {""})


def curve(nobody: Cohort, endpoint: str, asked: Asked) -> Result:
    """Return the probability of being free of an event, as ``time_to.curve``.

    Parameters
    ----------
    nobody
        The network's days and windows.
    endpoint
        Code of an endpoint.
    asked
        What batches answered to :class:`FollowedFeet`.
    """
    described = describe(nobody, endpoint, nobody.feet, method=time_to.METHOD)
    context = _beside(described, endpoint, asked)
    try:
        fitted = product_limit_over(derive(asked.each, _event_alone))
    except NotEstimableError as reason:
        return time_to.lay_out(context, [], [why_not(reason)])
    return time_to.lay_out(context, [({}, fitted)], [])


def cumulative(nobody: Cohort, endpoint: str, asked: Asked) -> Result:
    """Return cumulative incidences, as ``incidence.curve``; see :func:`curve`."""
    described = describe(nobody, f"{endpoint}_incidence", nobody.feet, method=incidence.METHOD)
    context = _beside(described, endpoint, asked)
    try:
        fitted = incidence_over(asked.each, n_causes=COMPETING)
    except NotEstimableError as reason:
        return incidence.lay_out(context, endpoint, [], [why_not(reason)])
    return incidence.lay_out(context, endpoint, [({}, fitted)], [])


def casts(nobody: Cohort, asked: Asked) -> Result:
    """Return the share not yet corrected after each cast, as ``cast_steps.curve``.

    Parameters
    ----------
    nobody
        The network's days and windows.
    asked
        What batches answered to :class:`FeetInCasts`.
    """
    told = add_told(asked.facts, cast_steps.LEFT_OUT)
    context = stand_beside(cast_steps.describe_curve(nobody), told)
    try:
        fitted = product_limit_over(asked.each)
    except NotEstimableError as reason:
        return cast_steps.lay_out(context, [], [why_not(reason)])
    return cast_steps.lay_out(context, [({}, fitted)], [])


def reasons_of(endpoint: Endpoint) -> tuple[str, ...]:
    """Return why feet may be left out under an endpoint, in order."""
    return ("outside_population", f"no_{endpoint.origin}", "not_seen_after_origin")


def _beside(context: Context, endpoint: str, asked: Asked) -> Context:
    return stand_beside(context, add_told(asked.facts, reasons_of(ENDPOINTS[endpoint])))


def _event_alone(spells: Spells) -> Spells:
    """Return spells in which a competing event ends observation."""
    alone = (spells.event == EVENT).astype(np.int64)
    return Spells(spells.time, alone, spells.entry, spells.cluster, spells.weights)
