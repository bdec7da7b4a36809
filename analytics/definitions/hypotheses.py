"""What a hypothesis is made of: outcomes, what may explain them, and what is known when.

What becomes known after an outcome's time begins cannot explain it: the feet that lived to show it
were those without the event so far. So every column has its moment, and every outcome its own.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

from analytics.definitions.columns import EXTRA_PREFIX, Column
from analytics.definitions.endpoints import ENDPOINTS, RELAPSE_VARIANTS, Endpoint
from analytics.definitions.indicator import Indicator
from analytics.errors import SettingsError

Kind = Literal["time", "share", "ratio", "mean", "casts"]

#: Moments in their order; a column may explain an outcome that begins at its moment or later.
MOMENTS = ("start", "correction", "landmark")

#: Columns of the foot that may explain an outcome or be adjusted for, by when they are known.
KNOWN_AT: dict[str, tuple[str, ...]] = {
    "start": (
        "pirani_start", "midfoot_start", "hindfoot_start", "dimeglio_start", "severity_band",
        "age_start_days", "sex", "side", "bilateral", "atypical", "diagnosis", "prior_treatment",
        "family_history", "travel_minutes", "clinic", "country", "quarter",
    ),
    "correction": (
        "n_casts", "n_casts_replaced", "n_interruptions", "n_casting_complications",
        "days_to_correction", "has_tenotomy", "correction_rule",
    ),
    "landmark": ("adherence_early",),
}  # fmt: skip

#: Levels that are no knowledge: in a hypothesis they count as missing.
NOT_KNOWN = ("unknown", "unrecorded")

#: Level that the others are compared with; the commonest one where none is named.
REFERENCES: dict[str, str] = {
    "diagnosis": "idiopathic", "prior_treatment": "none", "atypical": "no", "family_history": "no",
    "adherence_early": "as_advised", "severity_band": "mild", "bilateral": "False",
    "has_tenotomy": "False", "sex": "female", "side": "left",
}  # fmt: skip

#: A number enters per so many of its units.
PER: dict[str, float] = {
    "age_start_days": 30.4375, "travel_minutes": 60.0, "days_to_correction": 30.4375,
}  # fmt: skip

#: Outcomes that are neither an endpoint nor an indicator: counts of casts, by their column.
CASTS: dict[str, str] = {"casts": "n_casts", "casts_all": "n_casts_all"}

#: Outcomes that are other definitions of one another, for the sensitivity of an answer.
FAMILIES: tuple[tuple[str, ...], ...] = (
    tuple(endpoint.code for endpoint in RELAPSE_VARIANTS),
    tuple(CASTS),
    ("relapse_free_1y", "relapse_free_2y", "relapse_free_3y", "relapse_free_5y"),
    ("retention_1y", "retention_2y", "retention_3y", "retention_4y"),
    ("early_start_6w", "early_start_3m", "early_start_12m"),
    ("initial_correction", "initial_correction_finished"),
)

#: Smaller populations in which an answer is looked at again: rule over the foot's columns.
SUBSETS: dict[str, str] = {
    "idiopathic": "diagnosis == 'idiopathic'",
    "untreated": "prior_treatment == 'none'",
}

#: Events below which no model is fitted, and events per term below which a page warns
#: (Vittinghoff & McCulloch 2007, Am J Epidemiol 165:710).
FEWEST_EVENTS = 10
FEWEST_EVENTS_PER_TERM = 5

#: A standardised difference above this is called an imbalance (Austin 2009, Stat Med 28:3083).
IMBALANCE = 0.1

#: What the analysis file of a study has besides the columns of the foot.
STUDY_COLUMNS = (
    Column("study_stage", "code", "How far the row came: outside, unanswered, incomplete (a value "
           "of the model is missing), complete (in the model)."),
    Column("study_event", "number", "What the model counts: 1 or 0, or a number that is summed."),
    Column("study_size", "number", "What it is counted over."),
    Column("study_entry_days", "integer", "Days after the origin from which the row is at risk; "
           "of a time.", "days"),
    Column("study_time_days", "integer", "Days after the origin until which it was; of a time.",
           "days"),
)  # fmt: skip

_MOMENT_OF_ORIGIN = {"corrected_on": "correction", "brace_on": "correction"}


@dataclass(frozen=True)
class Hypothesis:
    """What is asked, stated before anyone looks.

    Parameters
    ----------
    exposure
        Column of the foot.
    outcome
        Code of an endpoint or an indicator, or a count of casts; ``endpoint:`` or ``indicator:``
        before it where both have that code.
    adjust
        Columns held equal; ``clinic`` gives each clinic its own baseline.
    subgroup
        Column in whose levels the effect is looked at apart; empty for none.
    """

    exposure: str
    outcome: str
    adjust: tuple[str, ...] = ()
    subgroup: str = ""


@dataclass(frozen=True)
class Outcome:
    """One outcome, whatever it is, in the terms of a model.

    Parameters
    ----------
    code
        As stated.
    kind
        Which model answers: ``time`` (endpoints, indicators read from a curve), ``share``,
        ``ratio``, ``mean`` (indicators that are a spread) or ``casts``.
    moment
        When its time begins.
    endpoint, indicator, column
        What it is; one of the three.
    """

    code: str
    kind: Kind
    moment: str
    endpoint: Endpoint | None = None
    indicator: Indicator | None = None
    column: str = ""


def find_outcome(code: str, indicators: Mapping[str, Indicator]) -> Outcome:
    """Return the outcome of a code.

    Raises
    ------
    SettingsError
        When nothing has that code, or both an endpoint and an indicator have it.
    """
    source, _, name = code.rpartition(":")
    found = {
        "casts": _casts(name),
        "endpoint": _endpoint(name),
        "indicator": _indicator(name, indicators),
    }
    fitting = {s: o for s, o in found.items() if o is not None and source in ("", s)}
    if len(fitting) == 1:
        return next(iter(fitting.values()))
    where = "outcome of the hypothesis"
    if fitting:
        raise SettingsError(
            f"'{code}' is both an endpoint and an indicator",
            where=where,
            allowed=", ".join(f"{s}:{name}" for s in fitting),
            todo="write which of the two is meant",
        )
    raise _no_such(
        f"there is no outcome called '{code}'", where, [*CASTS, *ENDPOINTS, *indicators], name
    )


def find_variants(outcome: Outcome, indicators: Mapping[str, Indicator]) -> tuple[Outcome, ...]:
    """Return the other definitions of an outcome."""
    name = outcome.code.rpartition(":")[2]
    source = "endpoint:" if outcome.endpoint else ""
    known = {*CASTS, *indicators} if not outcome.endpoint else {*ENDPOINTS}
    return tuple(
        find_outcome(f"{source}{code}", indicators)
        for family in FAMILIES
        if name in family
        for code in family
        if code != name and code in known
    )


def check_columns(hypothesis: Hypothesis, outcome: Outcome, columns: Iterable[str]) -> None:
    """Refuse columns that do not exist, stand twice, or are known too late.

    Parameters
    ----------
    hypothesis
        As stated.
    outcome
        What ``find_outcome`` returned.
    columns
        Columns of the feet, those carried along from the exports among them.

    Raises
    ------
    SettingsError
        Naming the column, what is allowed, and why.
    """
    named = [
        ("exposure", hypothesis.exposure),
        *(("adjust", name) for name in hypothesis.adjust),
        *((("subgroup", hypothesis.subgroup),) if hypothesis.subgroup else ()),
    ]
    extra = tuple(name for name in columns if name.startswith(EXTRA_PREFIX))
    for role, name in named:
        _check_column(role, name, outcome, extra)
    names = [name for _, name in named]
    if twice := [name for name in names if names.count(name) > 1]:
        raise SettingsError(
            f"'{twice[0]}' stands twice in the hypothesis",
            where="exposure, adjust and subgroup",
            allowed="each column once; a subgroup is adjusted for by itself",
            todo="take one out",
        )


def moment_of(column: str) -> str:
    """Return when a column is known; one carried along from an export counts as the start."""
    return next((m for m, names in KNOWN_AT.items() if column in names), "start")


def needs_landmark(hypothesis: Hypothesis) -> bool:
    """Return whether feet must be compared from the landmark on."""
    used = (hypothesis.exposure, hypothesis.subgroup, *hypothesis.adjust)
    return any(moment_of(name) == "landmark" for name in used if name)


def _check_column(role: str, name: str, outcome: Outcome, extra: tuple[str, ...]) -> None:
    # A time outcome can be begun anew at the landmark; a verdict cannot.
    last = "landmark" if outcome.kind == "time" and outcome.moment == "correction" else ""
    last = last or outcome.moment
    early = MOMENTS[: MOMENTS.index(last) + 1]
    allowed = [column for moment in early for column in KNOWN_AT[moment]]
    where = f"{role} of the hypothesis"
    if name in allowed or name in extra:
        return
    if any(name in names for names in KNOWN_AT.values()):
        raise SettingsError(
            f"'{name}' is known only after the time of '{outcome.code}' has begun",
            where=where,
            allowed=f"what is known by then: {', '.join((*allowed, *extra))}",
            todo="choose such a column, or an outcome that begins later: what comes later cannot "
            "explain it",
        )
    raise _no_such(f"there is no column called '{name}'", where, [*allowed, *extra], name)


def _no_such(found: str, where: str, allowed: list[str], name: str) -> SettingsError:
    near = difflib.get_close_matches(name, allowed, n=3)
    return SettingsError(
        found,
        where=where,
        allowed=", ".join(dict.fromkeys(allowed)),
        todo=f"write {' or '.join(map(repr, near))}?" if near else "choose one of these",
    )


def _casts(name: str) -> Outcome | None:
    return Outcome(name, "casts", "start", column=CASTS[name]) if name in CASTS else None


def _endpoint(name: str) -> Outcome | None:
    if name not in ENDPOINTS:
        return None
    endpoint = ENDPOINTS[name]
    return Outcome(name, "time", _moment(endpoint.origin), endpoint=endpoint)


def _indicator(name: str, indicators: Mapping[str, Indicator]) -> Outcome | None:
    if name not in indicators:
        return None
    indicator = indicators[name]
    if indicator.kind == "curve":
        endpoint = ENDPOINTS[indicator.numerator]
        return Outcome(name, "time", _moment(endpoint.origin), endpoint, indicator)
    kinds: dict[str, Kind] = {"share": "share", "ratio": "ratio", "spread": "mean"}
    return Outcome(name, kinds[indicator.kind], _moment(indicator.origin), indicator=indicator)


def _moment(origin: str) -> str:
    return _MOMENT_OF_ORIGIN.get(origin, "start")
