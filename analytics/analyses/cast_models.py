"""Whether the answer on casts and score hangs on the model: family, curve, error of the score."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
from scipy import stats

from analytics.analyses.casts import ADJUSTMENT, count_finished
from analytics.analyses.context import Method, describe, why_not
from analytics.analyses.design import Covariate, Design, build_design, effects_frame
from analytics.courses.cohort import Cohort
from analytics.errors import NotEstimableError
from analytics.results import EFFECTS, Context, Phrase, Result
from analytics.stats.count_checks import comparison_table
from analytics.stats.count_families import QUASI
from analytics.stats.count_fits import compare_families
from analytics.stats.counts import log_linear
from analytics.stats.marginal import coefficient_interval
from analytics.stats.measurement import MeasurementError, error_sd, extrapolate_error

#: Between-rater correlation of the Pirani total, and a lower one for untrained raters.
RELIABILITY = (0.90, 0.80)
_SOURCES = {
    "cast_families": "Kleiber & Zeileis 2016, Am Stat 70:296; Huang 2017, Stat Model 17:359",
    "score_error": "Cook & Stefanski 1994, J Am Stat Assoc 89:1314; reliability: Flynn et al. "
    "1998, J Pediatr Orthop 18:323",
}

_Z = stats.norm.ppf(0.975)
#: A name with estimate, lower and upper.
Line = tuple[str, float, float, float]
_LIMITS = ("estimate", "lower", "upper")


def families(cohort: Cohort, *, score: str = "pirani_start") -> Result:
    """Return the rate ratio per point of the score under each family of counts.

    Parameters
    ----------
    cohort
        Feet at the cut-off.
    score
        Column of the initial score.

    Returns
    -------
    Result
        Effects by ``family``, on one design. ``clustered`` is the default answer; the others
        have the interval that the family itself believes in, without clusters, to show how far
        each is off. The notes give how well each fits (AIC less the best) and what failed.
    """
    rows, exclusions = count_finished(cohort)
    design = build_design(rows, [Covariate(score), *ADJUSTMENT])
    context = _context(cohort, design, exclusions, question="cast_families")
    matrix, used = _with_constant(design), design.rows["n_casts"].to_numpy(dtype=float)
    child = design.rows["child"].to_numpy()
    try:
        fit = log_linear(used, matrix, cluster=child)
        fits = compare_families(used, matrix, cluster=child)
    except NotEstimableError as reason:
        empty = pd.DataFrame(columns=["family", *EFFECTS.columns])
        context = replace(context, notes=(*context.notes, why_not(reason)))
        return Result(EFFECTS, _typed(empty, ("family",)), context, ("family",))
    interval = coefficient_interval(fit)
    centre, low, high = (float(np.exp(getattr(interval, name)[1])) for name in _LIMITS)
    table = comparison_table(fits, column=1)
    lines: list[Line] = [("clustered", centre, low, high), *_believed(table)]
    frame = _lines(design, lines, "family")
    notes = (*context.notes, *_fit_notes(table))
    return Result(EFFECTS, frame, replace(context, notes=notes), ("family",))


def score_error(
    cohort: Cohort, *, reliability: Sequence[float] = RELIABILITY, seed: int = 20260101
) -> Result:
    """Return what the rate ratio would be had the score been measured without error.

    Parameters
    ----------
    cohort
        Feet at the cut-off.
    reliability
        Share of the variance of the recorded score that is true, one answer for each.
    seed
        For the error that the method adds.

    Returns
    -------
    Result
        Effects by ``reliability``; 1 is the score taken as it stands.
    """
    rows, exclusions = count_finished(cohort)
    design = build_design(rows, [Covariate("pirani_start"), *ADJUSTMENT])
    context = _context(cohort, design, exclusions, question="score_error")
    context = replace(context, seed=seed)
    used, child = design.rows["n_casts"].to_numpy(dtype=float), design.rows["child"].to_numpy()
    matrix = _with_constant(design)

    def estimate(x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        fit = log_linear(used, x, cluster=child, exchangeable=False)
        return fit.coefficients, fit.covariance

    try:
        plain, covariance = estimate(matrix)
        lines = [("1", *_ratio(plain[1], covariance[1, 1]))]
        for share in reliability:
            error = MeasurementError(1, error_sd(matrix[:, 1], reliability=share), repeats=15)
            found = extrapolate_error(
                estimate, matrix, error=error, rng=np.random.default_rng(seed)
            )
            lines.append((f"{share:g}", *_ratio(found.coefficients[1], found.covariance[1, 1])))
    except NotEstimableError as reason:
        empty = pd.DataFrame(columns=["reliability", *EFFECTS.columns])
        context = replace(context, notes=(*context.notes, why_not(reason)))
        return Result(EFFECTS, _typed(empty, ("reliability",)), context, ("reliability",))
    frame = _lines(design, lines, "reliability")
    return Result(EFFECTS, frame, context, ("reliability",))


def _context(
    cohort: Cohort, design: Design, exclusions: tuple[tuple[str, int], ...], *, question: str
) -> Context:
    method = Method(Phrase(f"method.{question}"), _SOURCES[question])
    context = describe(cohort, question, design.rows, method=method)
    return replace(
        context,
        population=Phrase("population.casts"),
        exclusions=exclusions + design.exclusions,
    )


def _with_constant(design: Design) -> np.ndarray:
    return np.column_stack([np.ones(len(design.rows)), design.matrix])


def _ratio(coefficient: float, variance: float) -> tuple[float, float, float]:
    half = _Z * np.sqrt(max(variance, 0.0))
    return tuple(float(np.exp(coefficient + move)) for move in (0.0, -half, half))  # type: ignore[return-value]


def _lines(design: Design, lines: Sequence[Line], group: str) -> pd.DataFrame:
    """Return one row per line, of the first term of the design."""
    used = design.rows["n_casts"].to_numpy(dtype=float)
    blank = pd.DataFrame(np.nan, index=range(len(design.terms)), columns=[*_LIMITS, "p"])
    first = effects_frame(design, used, blank).iloc[[0]]
    frame = pd.concat([first] * len(lines), ignore_index=True)
    frame[group] = [line[0] for line in lines]
    for position, name in enumerate(_LIMITS, start=1):
        frame[name] = pd.array([line[position] for line in lines], dtype="Float64")
    return _typed(frame, (group,))


def _typed(frame: pd.DataFrame, groups: tuple[str, ...]) -> pd.DataFrame:
    types = {"count": "Int64", "figure": "Float64", "code": "string"}
    wanted = {name: types[kind] for name, kind in EFFECTS.columns.items()}
    return frame[[*groups, *wanted]].astype({**dict.fromkeys(groups, "string"), **wanted})


def _believed(table: pd.DataFrame) -> list[Line]:
    """Return each family's ratio with its own interval; the ordinal one has odds, not a ratio."""
    lines = []
    for line in table.loc[table["family"].ne("ordinal")].itertuples():
        # A quasi-likelihood takes its variance from the data.
        stretch = line.dispersion if line.family == QUASI else 1.0
        if np.isfinite(line.coefficient):
            ratio = _ratio(float(line.coefficient), float(line.se**2 * stretch))
            lines.append((str(line.family), *ratio))
    return lines


def _fit_notes(table: pd.DataFrame) -> list[Phrase]:
    best = table["aic"].min()
    notes = []
    for line in table.itertuples():
        values: dict[str, object] = {"family": Phrase(f"level.family.{line.family}")}
        if line.status in ("failed", "boundary"):
            values["why"] = Phrase(f"not_estimable.{line.reason}")
            values["fallback"] = Phrase(f"level.family.{line.fallback}")
            notes.append(Phrase("note.family_has_none", values))
        elif np.isfinite(line.aic):
            values["gap"] = round(float(line.aic - best), 1)
            values["dispersion"] = round(float(line.dispersion), 2)
            notes.append(Phrase("note.family_fit", values))
    return notes
