"""How many casts for how stiff a foot."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy import stats

from analytics.analyses.context import Method, describe, why_not
from analytics.analyses.design import Covariate, Design, build_design, lay_out, sum_events
from analytics.courses.cohort import Cohort
from analytics.errors import NotEstimableError
from analytics.results import EFFECTS, ESTIMATES, Context, Phrase, PValue, Result
from analytics.stats.blocks import Each, derive, in_blocks
from analytics.stats.counts import log_linear
from analytics.stats.linearity import knots_of, restricted_cubic, wald_test
from analytics.stats.links import LOG_LINEAR
from analytics.stats.marginal import MarginalFit, coefficient_interval, mean_at, solve_over
from analytics.stats.marginal_block import Problem, as_block, in_slices

DAYS_IN_MONTH = 30.4375

#: What differs between clinics' children besides the score.
ADJUSTMENT = (
    Covariate("age_start_days", per=DAYS_IN_MONTH),
    Covariate("diagnosis", "idiopathic"),
    Covariate("prior_treatment", "none"),
    Covariate("atypical", "no"),
    Covariate("clinic", is_shown=False),
)
#: Reasons for which a foot has no casts to correction.
LEFT_OUT = ("no_cast_recorded", "series_unfinished", "casts_not_known")
_REFERENCE = "Liang & Zeger 1986, Biometrika 73:13"


def effects(
    cohort: Cohort, *, score: str = "pirani_start", adjust: Sequence[Covariate] = ADJUSTMENT
) -> Result:
    """Return rate ratios of casts to correction per point of the initial score.

    Parameters
    ----------
    cohort
        Feet at the cut-off.
    score
        Column of the initial score.
    adjust
        Further covariates.

    Returns
    -------
    Result
        Effects as rate ratios, clustered by child; the notes give the dispersion and how far an
        interval that assumes Poisson variance would be off.
    """
    feet, exclusions = count_finished(cohort)
    design = build_design(feet, [Covariate(score), *adjust])
    context = replace(
        describe_effects(cohort, score, design.rows), exclusions=exclusions + design.exclusions
    )
    values, n = np.unique(design.matrix[:, :1], return_counts=True)
    told = Terms(
        design.terms,
        design.constants,
        sum_events(design.matrix, design.terms, _casts(design)),
        (values, n),
        len(design.rows),
    )
    child = pd.factorize(design.rows["child"])[0]
    block = as_block(LOG_LINEAR, _casts(design), _with_constant(design.matrix), child)
    return answer(context, told, in_blocks(in_slices(block) if len(design.rows) else []))


@dataclass(frozen=True)
class Terms:
    """What is known of a design before it is fitted.

    Parameters
    ----------
    terms, constants
        Of :class:`Design`.
    events
        (p,) casts of the feet at each level, or of all for a number.
    first
        Distinct values of the first column, and how often each.
    n_rows
        Feet.
    """

    terms: pd.DataFrame
    constants: tuple[str, ...]
    events: np.ndarray
    first: tuple[np.ndarray, np.ndarray]
    n_rows: int


def answer(context: Context, told: Terms, each: Each) -> Result:
    """Return rate ratios from blocks of feet, or why there are none.

    Parameters
    ----------
    context
        Of :func:`describe_effects`, with the exclusions.
    told
        The design.
    each
        Blocks of casts on a constant and the columns of the design, clustered by child.
    """
    n_columns = 1 + len(told.terms)
    try:
        if not len(told.terms):
            raise NotEstimableError("constant_covariate", n_rows=told.n_rows)
        fit = _solve(each, told, n_columns)
    except NotEstimableError as reason:
        empty = lay_out(told.terms, told.events, _no_figures(len(told.terms)))
        return Result(EFFECTS, empty, replace(context, notes=(*context.notes, why_not(reason))))
    figures = _ratios(fit).reindex(range(n_columns)).iloc[1:]
    frame = lay_out(told.terms, told.events, figures)
    bends = _linearity(each, told)
    notes = (*context.notes, *_notes(fit), bends, *_left_out(told.constants))
    return Result(EFFECTS, frame, replace(context, notes=notes))


def _with_constant(matrix: np.ndarray) -> np.ndarray:
    return np.column_stack([np.ones(len(matrix)), matrix])


def describe_effects(cohort: Cohort, score: str, rows: pd.DataFrame) -> Context:
    """Return what stands beside rate ratios per point of a score."""
    context = describe(cohort, f"casts_{score}", rows, method=_method())
    return replace(context, population=Phrase("population.casts"))


def estimates(cohort: Cohort, *, score: str = "pirani_start") -> Result:
    """Return the mean number of casts at each value of the initial score, seen and fitted.

    Returns
    -------
    Result
        Estimates by the score; measures ``casts_seen`` and ``casts_fitted`` (a log-linear mean
        on the score alone), both clustered by child.
    """
    feet, exclusions = count_finished(cohort)
    design = build_design(feet, [Covariate(score)])
    context = describe(cohort, "casts", design.rows, method=_method())
    context = replace(context, exclusions=exclusions + design.exclusions)
    values = design.rows[score].to_numpy(dtype=float)
    points, group = np.unique(values, return_inverse=True)
    parts = [_seen(design, group, len(points))]
    try:
        fit = _fit(design)
        at = mean_at(fit, np.column_stack([np.ones(len(points)), points]))
        figures = {"estimate": at.estimate, "lower": at.lower, "upper": at.upper}
        # A fitted mean is no ratio of counts.
        parts.append(parts[0].assign(measure="casts_fitted", numerator=pd.NA, **figures))
    except NotEstimableError as reason:
        note = why_not(reason)
        context = replace(context, notes=(*context.notes, note))
    frame = pd.concat(parts, ignore_index=True)
    frame.insert(0, score, np.tile(points, len(parts)))
    types = {"count": "Int64", "figure": "Float64", "code": "string"}
    wanted = {name: types[kind] for name, kind in ESTIMATES.columns.items()}
    return Result(ESTIMATES, frame[[score, *wanted]].astype(wanted), context, groups=(score,))


def count_finished(cohort: Cohort) -> tuple[pd.DataFrame, tuple[tuple[str, int], ...]]:
    """Return feet whose first series reached correction with its casts known; others by reason."""
    feet = cohort.feet
    started = feet["started_on"].notna()
    corrected = started & feet["is_corrected"].fillna(False)
    counted = corrected & feet["n_casts"].ge(1).fillna(False)
    out = zip(
        LEFT_OUT,
        map(int, ((~started).sum(), (started & ~corrected).sum(), (corrected & ~counted).sum())),
        strict=True,
    )
    return feet.loc[counted], tuple(pair for pair in out if pair[1])


def _casts(design: Design) -> np.ndarray:
    return design.rows["n_casts"].to_numpy(dtype=float)


def _fit(design: Design) -> MarginalFit:
    if not len(design.terms):
        raise NotEstimableError("constant_covariate", n_rows=len(design.rows))
    child = design.rows["child"].to_numpy()
    return log_linear(_casts(design), _with_constant(design.matrix), cluster=child)


def _ratios(fit: MarginalFit) -> pd.DataFrame:
    interval = coefficient_interval(fit)
    se = np.sqrt(np.diag(fit.covariance))
    p = 2 * stats.t.sf(np.abs(fit.coefficients / se), fit.degrees)
    figures = {"estimate": interval.estimate, "lower": interval.lower, "upper": interval.upper}
    return pd.DataFrame({name: np.exp(values) for name, values in figures.items()}).assign(p=p)


def _no_figures(n: int) -> pd.DataFrame:
    return pd.DataFrame(np.nan, index=range(n), columns=["estimate", "lower", "upper", "p"])


def _seen(design: Design, group: np.ndarray, n_groups: int) -> pd.DataFrame:
    casts, n = _casts(design), np.bincount(group, minlength=n_groups)
    child = pd.factorize(design.rows["child"])[0]
    mean = np.bincount(group, weights=casts, minlength=n_groups) / n
    pair, pairs = pd.factorize(group * (child.max(initial=0) + 1) + child)
    owner = pairs // (child.max(initial=0) + 1)
    sums = np.bincount(pair, weights=casts - mean[group], minlength=len(owner))
    clusters = np.bincount(owner, minlength=n_groups)
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = np.bincount(owner, weights=sums**2, minlength=n_groups)
        se = np.sqrt(spread * clusters / (clusters - 1)) / n
        half = stats.t.ppf(0.975, clusters - 1) * se
    return pd.DataFrame(
        {
            "measure": "casts_seen",
            "n": n,
            "denominator": n,
            "numerator": np.bincount(group, weights=casts, minlength=n_groups).astype("int64"),
            "estimate": mean,
            "lower": np.maximum(mean - half, 1.0),
            "upper": mean + half,
            "outside": 0,
            "immature": 0,
            "unknown": 0,
        }
    )


def _notes(fit: MarginalFit) -> tuple[Phrase, ...]:
    robust, plain = (np.sqrt(np.diag(c))[1] for c in (fit.covariance, fit.plain_covariance))
    said = Phrase("note.dispersion", {"dispersion": round(fit.dispersion, 2)})
    width = Phrase("note.poisson_width", {"times": round(float(plain / robust), 2)})
    notes: tuple[Phrase, ...] = (
        said,
        width,
        Phrase("note.correlation", {"correlation": round(fit.correlation, 2)}),
    )
    return (*notes, Phrase("note.few_children")) if fit.has_few_clusters else notes


def _solve(each: Each, told: Terms, n_columns: int) -> MarginalFit:
    """Return the fit without the last terms where these are one factor that is not shown."""
    hidden = told.terms[~told.terms["is_shown"]]
    last = hidden[hidden["term"].eq(told.terms["term"].iloc[-1])]
    return solve_over(each, LOG_LINEAR, n_columns, exchangeable=True, n_absorbed=len(last))


def _linearity(each: Each, told: Terms) -> Phrase:
    """Say whether a straight line on the log scale is enough; the score is the first column."""
    try:
        knots = knots_of(np.repeat(*told.first))
        n_curve = len(knots) - 1
        bent, n_columns = derive(each, _bend_first, knots), len(told.terms) + n_curve
        fit = _solve(bent, told, n_columns)
        test = wald_test(fit, np.arange(2, 1 + n_curve))
    except NotEstimableError as reason:
        return why_not(reason)
    return Phrase("note.bends" if test.p < 0.05 else "note.straight", {"p": PValue(test.p)})


def _bend_first(block: Problem, knots: np.ndarray) -> Problem:
    """Return a block in which a cubic spline stands for the first column after the constant."""
    scores, place = np.unique(block.design[:, 1], return_inverse=True)
    curve = restricted_cubic(scores, knots)[place]
    design = np.column_stack([block.design[:, :1], curve, block.design[:, 2:]])
    columns = block.columns
    if columns is not None:
        n_curve = curve.shape[1]
        columns = np.concatenate([np.arange(1 + n_curve), columns[2:] + n_curve - 1])
    return replace(block, design=np.asfortranarray(design), columns=columns)


def _left_out(constants: tuple[str, ...]) -> tuple[Phrase, ...]:
    return tuple(Phrase("note.constant", {"term": Phrase(f"term.{name}")}) for name in constants)


def _method() -> Method:
    notes = (Phrase("note.unfinished_left_out"), Phrase("note.score_error"))
    return Method(Phrase("method.log_linear"), _REFERENCE, notes)
