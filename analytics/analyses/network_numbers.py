"""All numbers of a network that no memory holds: indicators, curves, hazards, casts."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from analytics.analyses import network_curves, network_indicators, network_models
from analytics.analyses.hazards import SEVERITY_AND_USE
from analytics.analyses.in_parts import Asked, Batches, Question
from analytics.analyses.network_curves import FeetInCasts, FollowedFeet
from analytics.analyses.network_designs import Casts, Hazards, Values, choose
from analytics.analyses.network_indicators import Groups, OneIndicator, list_network
from analytics.analyses.network_models import CastRows, HazardRows
from analytics.definitions.custom import Catalogue
from analytics.definitions.endpoints import ENDPOINTS, RELAPSE
from analytics.definitions.indicator import Indicator
from analytics.results import Result

#: Steps of the work, as they are told, in order.
STEPS = ("levels", "feet", "indicators", "curves", "models")

CASTS = Casts()
_AREAS = ("mix", "access", "casting", "tenotomy", "brace", "follow_up", "lasting", "records")
_Plan = list[tuple[str, tuple[str, ...], tuple[Indicator, ...]]]


def answer_network(
    batches: Batches,
    catalogue: Catalogue,
    tell: Callable[[str], None],
    *,
    casts: Casts = CASTS,
) -> Iterator[Result]:
    """Yield the numbers of a network in the order of a report.

    Indicators for the network by area, those compared also by clinic and by quarter of the first
    cast; time to every endpoint; incidence of relapse with what competes with it; corrected at
    which cast; what goes with relapse; casts by severity.

    Parameters
    ----------
    batches
        The feet, some parts at a time; each is read twice.
    catalogue
        Indicators in force.
    tell
        Told the steps that are done, of ``STEPS``.
    casts
        The model of casts.
    """
    nobody, plan = batches.nobody, _plan(catalogue)
    hazards = Hazards(RELAPSE.code, SEVERITY_AND_USE, nobody.protocol.landmark_days)
    groupings = list(dict.fromkeys(by for _, by, _ in plan))
    first: list[Question] = [*map(Groups, groupings), Values(hazards), Values(casts)]
    *grouped, of_hazards, of_casts = batches.ask(first)
    listed = {by: list_network(asked, by) for by, asked in zip(groupings, grouped, strict=True)}
    tell("levels")
    designs = choose(nobody, hazards, of_hazards), choose(nobody, casts, of_casts)
    pairs = _pairs(plan)
    second: list[Question] = [
        *(OneIndicator(indicator, listed[by].labels) for indicator, by in pairs),
        *map(FollowedFeet, ENDPOINTS),
        FeetInCasts(),
        HazardRows(hazards, designs[0]),
        CastRows(casts, designs[1]),
    ]
    answers = batches.ask(second)
    tell("feet")
    own = dict(zip(pairs, answers, strict=False))
    for question, by, indicators in plan:
        yield network_indicators.estimates(
            nobody, question, listed[by], [(i, own[i, by]) for i in indicators]
        )
    tell("indicators")
    *_, of_casts, with_hazards, with_casts = answers
    yield from _curves(batches, dict(zip(ENDPOINTS, answers[len(pairs) :], strict=False)))
    yield network_curves.casts(nobody, of_casts)
    tell("curves")
    yield network_models.hazard_effects(nobody, hazards, designs[0], with_hazards)
    yield network_models.cast_effects(nobody, casts, designs[1], with_casts)
    tell("models")


def _curves(batches: Batches, followed: dict[str, Asked]) -> Iterator[Result]:
    for endpoint, asked in followed.items():
        yield network_curves.curve(batches.nobody, endpoint, asked)
        if endpoint == RELAPSE.code:
            yield network_curves.cumulative(batches.nobody, endpoint, asked)


def _plan(catalogue: Catalogue) -> _Plan:
    """Return questions, by what they are split, and their indicators; as the pages ask them."""
    plan: _Plan = [("headline", (), catalogue.headline)]
    plan += [(area, (), catalogue.in_area(area)) for area in _AREAS]
    plan += [("own", (), catalogue.changed)]
    plan += [("clinics_care", ("clinic",), catalogue.compared)]
    plan += [("quarters_care", ("quarter",), catalogue.compared)]
    return [(question, by, indicators) for question, by, indicators in plan if indicators]


def _pairs(plan: _Plan) -> list[tuple[Indicator, tuple[str, ...]]]:
    """Return every indicator once for each way in which it is split."""
    return list(dict.fromkeys((i, by) for _, by, indicators in plan for i in indicators))
