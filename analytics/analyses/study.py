"""A stated hypothesis on a cohort: who is compared, in which design, by which model."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd

from analytics.analyses.context import Method, describe
from analytics.analyses.design import Covariate, Design, build_design
from analytics.analyses.outcome_models import Data, Fitted, Model, default_model
from analytics.analyses.outcomes import Asked, ask
from analytics.courses.cohort import Cohort
from analytics.definitions.columns import EXTRA_PREFIX
from analytics.definitions.hypotheses import (
    FEWEST_EVENTS,
    NOT_KNOWN,
    PER,
    REFERENCES,
    Hypothesis,
    Outcome,
    check_columns,
    find_outcome,
    needs_landmark,
)
from analytics.definitions.indicator import Indicator
from analytics.errors import NotEstimableError, RecordsError
from analytics.results import Context, Phrase

#: Levels of a number that is split at its middle.
LOW, HIGH = "up_to_median", "above_median"

_REFERENCES = {
    "time": "Cox 1972, J R Stat Soc B 34:187; Lin & Wei 1989, J Am Stat Assoc 84:1074",
    "share": "Zou 2004, Am J Epidemiol 159:702; Yelland et al. 2011, Am J Epidemiol 174:984",
    "ratio": "Liang & Zeger 1986, Biometrika 73:13",
    "mean": "Liang & Zeger 1986, Biometrika 73:13",
    "casts": "Liang & Zeger 1986, Biometrika 73:13",
}


@dataclass(frozen=True)
class Study:
    """A hypothesis on a cohort.

    Parameters
    ----------
    cohort
        Feet at the cut-off.
    hypothesis
        As stated.
    outcome
        What its outcome is.
    indicators
        The indicators in force, among which other definitions of the outcome are found.
    notes
        What must stand beside every answer, such as when the hypothesis was stated.
    """

    cohort: Cohort
    hypothesis: Hypothesis
    outcome: Outcome
    indicators: Mapping[str, Indicator]
    notes: tuple[Phrase, ...] = ()

    @cached_property
    def asked(self) -> Asked:
        """Return the units under the outcome."""
        return ask(self.cohort, self.outcome, landmark_days=self.landmark_days)

    @property
    def landmark_days(self) -> int:
        """Return the day after the origin from which feet are compared."""
        is_late = self.outcome.kind == "time" and needs_landmark(self.hypothesis)
        return self.cohort.protocol.landmark_days if is_late else 0

    @property
    def by_clinic(self) -> bool:
        """Return whether each clinic has a baseline of its own rather than levels."""
        return self.outcome.kind == "time" and "clinic" in self.hypothesis.adjust

    @property
    def covariates(self) -> tuple[Covariate, ...]:
        """Return exposure, then what is adjusted for, as they enter a model."""
        hypothesis = self.hypothesis
        others = [n for n in hypothesis.adjust if not (n == "clinic" and self.by_clinic)]
        return (
            as_covariate(hypothesis.exposure, is_shown=True),
            *(as_covariate(name, is_shown=False) for name in others),
        )


def state(cohort: Cohort, hypothesis: Hypothesis, indicators: Mapping[str, Indicator]) -> Study:
    """Return the study of a hypothesis, looking at no outcome.

    Parameters
    ----------
    cohort
        Feet at the cut-off.
    hypothesis
        As stated.
    indicators
        The indicators in force, by code.

    Raises
    ------
    SettingsError
        When a column or the outcome does not exist, or a column is known too late.
    RecordsError
        When the exposure is not recorded or is the same in every foot.
    """
    outcome = find_outcome(hypothesis.outcome, indicators)
    check_columns(hypothesis, outcome, cohort.feet.columns)
    known = only_known(cohort.feet[hypothesis.exposure]).dropna()
    levels = [str(level) for level in known.unique()[:5]]
    if known.nunique() < 2:
        raise RecordsError(
            f"the exposure '{hypothesis.exposure}' does not vary: "
            f"{len(known)} of {len(cohort.feet)} feet have it recorded"
            + (f", all as '{levels[0]}'" if levels else ""),
            where="exposure of the hypothesis",
            allowed="a column with at least two values among the feet",
            todo="choose another exposure, or map the column in the source map",
        )
    return Study(cohort, hypothesis, outcome, indicators)


def only_known(values: pd.Series) -> pd.Series:
    """Return values with those that are no knowledge missing."""
    if pd.api.types.is_string_dtype(values) or values.dtype == object:
        return values.mask(values.isin(NOT_KNOWN).fillna(False))
    return values


def as_covariate(name: str, *, is_shown: bool) -> Covariate:
    """Return how a column enters a model."""
    return Covariate(name, REFERENCES.get(name, ""), PER.get(name, 1.0), is_shown)


def design_of(study: Study, rows: pd.DataFrame) -> Design:
    """Return the design of a study on these rows; a subgroup not known is left out as well."""
    names = [c.column for c in study.covariates]
    used = [*names, *filter(None, [study.hypothesis.subgroup])]
    rows = rows.assign(**{name: only_known(rows[name]) for name in used})
    design = build_design(rows, study.covariates)
    if not study.hypothesis.subgroup:
        return design
    missing = design.rows[study.hypothesis.subgroup].isna()
    if not missing.any():
        return design
    left = build_design(design.rows.loc[~missing], study.covariates)
    reason = (f"missing_{study.hypothesis.subgroup}", int(missing.sum()))
    return replace(left, exclusions=(*design.exclusions, reason))


def fit(study: Study, design: Design, model: Model | None = None) -> Fitted:
    """Return a model of a study on a design.

    Raises
    ------
    NotEstimableError
        ``too_few_events`` before anything else.
    """
    check_events(study, design)
    model = model or default_model(study.outcome.kind)
    return model(Data(design, study.by_clinic))


def check_events(study: Study, design: Design) -> None:
    """Refuse to fit on fewer events, or fewer without, than can carry a model."""
    events = events_of(design)
    if study.outcome.kind in ("time", "share"):
        n = int(events.sum())
        n_without = len(events) - n if study.outcome.kind == "share" else n
        if min(n, n_without) < FEWEST_EVENTS:
            raise NotEstimableError(
                "too_few_events", n_events=min(n, n_without), n_needed=FEWEST_EVENTS
            )
    if len(events) < FEWEST_EVENTS:
        raise NotEstimableError("too_few_rows", n_rows=len(events), n_needed=FEWEST_EVENTS)


def method_of(study: Study) -> Method:
    """Return the method that answers for the outcome, with its citation."""
    kind = study.outcome.kind
    return Method(Phrase(f"method.answer_{kind}"), _REFERENCES[kind])


def context_of(study: Study, design: Design, question: str, method: Method) -> Context:
    """Return the context of a result of a study on a design."""
    asked = study.asked
    context = describe(study.cohort, question, design.rows, method=method, unit=asked.unit)
    events = events_of(design)
    return replace(
        context,
        population=Phrase("population.hypothesis"),
        exclusions=(*asked.outside, *asked.unanswered, *design.exclusions),
        n_events=int(round(float(events.sum()))) if len(events) else 0,
    )


def basis_of(study: Study) -> tuple[Phrase, ...]:
    """Return when the hypothesis was stated, what is held equal, and from which day on."""
    notes = [*study.notes, Phrase("note.nothing_held_equal")]
    if study.hypothesis.adjust:
        names = tuple(name_column(name) for name in study.hypothesis.adjust)
        notes[-1] = Phrase("note.held_equal", {"columns": names})
    if study.landmark_days:
        notes.append(Phrase("note.landmark_from", {"days": study.landmark_days}))
    return tuple(notes)


def in_levels(values: pd.Series) -> pd.Series:
    """Return a column as levels; a number is split at its middle."""
    if is_number(values):
        numbers = values.astype("Float64")
        above = numbers > numbers.median()
        return above.map({True: HIGH, False: LOW}).astype("string")
    return values.astype("string")


def is_number(values: pd.Series) -> bool:
    """Return whether a column holds numbers, not codes or flags."""
    return pd.api.types.is_numeric_dtype(values) and not pd.api.types.is_bool_dtype(values)


def name_column(name: str) -> Phrase | str:
    """Return a column to be put into words; one carried along keeps its name."""
    if name.startswith(EXTRA_PREFIX):
        return name.removeprefix(EXTRA_PREFIX).replace("_", " ")
    return Phrase(f"column.{name}")


def less(n: int, reasons: tuple[tuple[str, int], ...]) -> int:
    """Return what is left of n after the reasons."""
    return n - sum(count for _, count in reasons)


def events_of(design: Design) -> np.ndarray:
    """Return what is counted of every row."""
    return design.rows["event"].to_numpy(dtype=float)


def cut_of(rows: pd.DataFrame, name: str) -> tuple[Phrase, ...]:
    """Say where a number was cut into levels."""
    values = only_known(rows[name]).dropna()
    if not is_number(values) or values.empty:
        return ()
    middle = round(float(values.astype("float64").median()), 2)
    return (Phrase("note.cut", {"column": name_column(name), "middle": middle}),)
