"""Which clinics differ by more than who comes to them and chance explain."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from scipy import stats

from analytics.analyses.casts import ADJUSTMENT
from analytics.analyses.clinic_limits import (
    ACTION,
    FLAGS,
    WARNING,
    Units,
    find_limits,
    is_telling,
    without_outliers,
)
from analytics.analyses.context import Method, describe, why_not
from analytics.analyses.design import Covariate, build_design
from analytics.analyses.verdicts import find_verdicts
from analytics.courses.cohort import Cohort
from analytics.definitions.indicator import Indicator
from analytics.errors import NotEstimableError
from analytics.results import COMPARISON, Context, Phrase, Result
from analytics.stats.case_mix import shrunken_logistic
from analytics.stats.counts import log_linear
from analytics.stats.funnel import (
    expected_false_flags,
    outside,
    overdispersion,
    z_scores,
)
from analytics.stats.marginal import mean_at
from analytics.stats.proportions import clustered_proportion, wilson
from analytics.stats.shrinkage import beta_binomial

#: Volume at which limits begin to be drawn.
FIRST_VOLUME = 10

#: What differs between the children of clinics.
CASE_MIX = (Covariate("pirani_start"), *(c for c in ADJUSTMENT if c.column != "clinic"))
_METHOD = Method(
    Phrase("method.comparison"),
    "Spiegelhalter 2005, Stat Med 24:1185; Spiegelhalter 2005, Qual Saf Health Care 14:347",
    (Phrase("note.comparison"),),
)


def comparison(cohort: Cohort, indicator: Indicator) -> Result:
    """Return clinics against the network under an indicator that is a share.

    Parameters
    ----------
    cohort
        Feet at the cut-off.
    indicator
        A share.

    Returns
    -------
    Result
        A comparison with one row per clinic: ``expected`` is what the network would have had
        with this clinic's children, ``estimate`` the share had the clinic average children,
        ``shrunken`` the same drawn towards the network by how little is known. ``flag`` is
        *higher* or *lower* outside the 99.8% limits, which widen where clinics vary by more than
        chance, *too_few* under the protocol's few children. Beside it ``limits`` and ``children``.
    """
    verdict = find_verdicts(cohort, indicator)
    counted = verdict.isin(["yes", "no"])
    rows = cohort.feet.loc[verdict.index[counted]]
    yes = verdict[counted].eq("yes").to_numpy(dtype=float)
    context = replace(
        describe(cohort, f"clinics_{indicator.code}", rows, method=_METHOD, unit=indicator.unit),
        population=Phrase("population.clinics"),
        n_events=int(yes.sum()),
    )
    try:
        return _judged(cohort, _shares(rows, yes), context)
    except NotEstimableError as reason:
        return _nothing(
            cohort, rows, yes, replace(context, notes=(*context.notes, why_not(reason)))
        )


def casts(cohort: Cohort) -> Result:
    """Return clinics by casts used against casts expected of feet like theirs.

    Returns
    -------
    Result
        A comparison; ``numerator`` is casts, ``denominator`` feet, ``expected`` casts by a
        log-linear mean on what differs between children, ``estimate`` their ratio.
    """
    feet = cohort.feet
    counted = feet["is_corrected"].fillna(False) & feet["n_casts"].ge(1).fillna(False)
    rows = feet.loc[counted]
    used = rows["n_casts"].to_numpy(dtype=float)
    context = replace(
        describe(cohort, "clinics_casts", rows, method=_METHOD),
        population=Phrase("population.clinics"),
    )
    try:
        return _judged(cohort, _ratios(rows, used), context)
    except NotEstimableError as reason:
        return _nothing(
            cohort, rows, used, replace(context, notes=(*context.notes, why_not(reason)))
        )


def _shares(rows: pd.DataFrame, yes: np.ndarray) -> Units:
    chance = shrunken_logistic(yes, find_case_mix(rows)).chance
    table = _counts(rows, yes, chance)
    effect = clustered_proportion(yes, rows["child"].to_numpy()).design_effect.item()
    target = float(yes.mean())
    size = table["denominator"].to_numpy(dtype=float) / effect
    ratio = table["numerator"].to_numpy(dtype=float) / table["expected"].to_numpy(dtype=float)
    estimate = np.clip(ratio * target, 0, 1)
    raw = wilson(table["numerator"] / effect, size)
    scale = target * table["denominator"].to_numpy(dtype=float) / table["expected"].to_numpy()
    table = table.assign(
        estimate=estimate,
        lower=np.clip(raw.lower * scale, 0, 1),
        upper=np.clip(raw.upper * scale, 0, 1),
        shrunken=beta_binomial(estimate * size, size).estimate,
    )
    return Units(table, np.sqrt(target * (1 - target) / size), target)


def _ratios(rows: pd.DataFrame, used: np.ndarray) -> Units:
    if rows.empty:
        raise NotEstimableError("no_rows")
    if rows.empty:
        raise NotEstimableError("no_rows", n_feet=0)
    design = np.column_stack([np.ones(len(rows)), find_case_mix(rows)])
    varies = np.ptp(design, axis=0) > 0
    varies[0] = True
    design = design[:, varies]
    child = rows["child"].to_numpy()
    fit = log_linear(used, design, cluster=child)
    expected = mean_at(fit, design).estimate
    expected = expected * used.sum() / expected.sum()
    table = _counts(rows, used, expected)
    # Residuals summed within a child: two feet of one child are one piece of evidence.
    code = pd.factorize(child)[0]
    spread = float((np.bincount(code, weights=used - expected) ** 2).sum() / expected.sum())
    casts_expected = table["expected"].to_numpy(dtype=float)
    error = np.sqrt(spread / casts_expected)
    estimate = table["numerator"].to_numpy(dtype=float) / casts_expected
    half = stats.norm.ppf((1 + WARNING) / 2) * error
    between = overdispersion(z_scores(estimate, 1.0, error), error).tau2
    pull = between / (between + error**2)
    table = table.assign(
        estimate=estimate,
        lower=np.maximum(estimate - half, 0),
        upper=estimate + half,
        shrunken=1 + pull * (estimate - 1),
    )
    return Units(table, error, 1.0)


def find_case_mix(rows: pd.DataFrame) -> np.ndarray:
    """Return what differs between children; a missing value takes the middle, a code its own."""
    filled = {}
    for covariate in CASE_MIX:
        values = rows[covariate.column]
        if pd.api.types.is_numeric_dtype(values):
            values = values.astype("Float64")
            known = values.dropna()
            filled[covariate.column] = values.fillna(known.median() if len(known) else 0)
        else:
            filled[covariate.column] = values.astype("string").fillna("unknown")
    return build_design(pd.DataFrame(filled), CASE_MIX).matrix


def _counts(rows: pd.DataFrame, seen: np.ndarray, expected: np.ndarray) -> pd.DataFrame:
    frame = rows[["clinic", "child"]].assign(numerator=seen, expected=expected)
    grouped = frame.groupby("clinic", sort=True)
    table = grouped[["numerator", "expected"]].sum()
    table["denominator"] = grouped.size()
    table["children"] = grouped["child"].nunique()
    table = table.rename_axis("unit").reset_index()
    table["numerator"] = table["numerator"].round().astype("int64")
    return table


def _judged(cohort: Cohort, units: Units, context: Context) -> Result:
    units, spread = without_outliers(units)
    table, error, target = units.table, units.error, units.target
    size = table["denominator"].to_numpy(dtype=float)
    limits = find_limits(size, error, units, level=ACTION, spread=spread)
    beyond = pd.Series(outside(table["estimate"].to_numpy(), limits))
    few = table["children"] < cohort.protocol.few_children
    n_judged = int((~few).sum())
    unsaid = few if is_telling(spread) else few | beyond.eq(0)
    table = table.assign(flag=beyond.map(FLAGS).mask(unsaid, "too_few"))
    notes = (
        *_false_flags(n_judged),
        Phrase("note.spread" if spread.tau2 > 0 else "note.no_spread"),
        *([] if is_telling(spread) else [Phrase("note.few_clinics")]),
    )
    # Limits by volume, for a clinic whose children are like the network's.
    # They begin at a fixed volume: where they began at the smallest clinic's they would tell it.
    grid = np.unique(np.linspace(min(FIRST_VOLUME, size.max()), size.max(), 60).round())
    at = np.median(error * np.sqrt(size)) / np.sqrt(grid)
    lines = pd.DataFrame({"denominator": grid, "centre": target})
    for name, share in (("95", WARNING), ("998", ACTION)):
        low, high = find_limits(grid, at, units, level=share, spread=spread)
        lines[f"lower_{name}"], lines[f"upper_{name}"] = low, high
    return Result(
        COMPARISON,
        _typed(table),
        replace(context, notes=(*context.notes, *notes)),
        beside={
            "limits": lines,
            "children": table[["unit", "children"]].rename(columns={"unit": "clinic"}),
        },
    )


def _false_flags(n_judged: int) -> tuple[Phrase, ...]:
    """Say how often clinics that are all alike would be flagged, in reports or in clinics."""
    expected = expected_false_flags(n_judged, level=ACTION)
    if not expected:
        return ()
    if expected < 1:
        values = {"clinics": n_judged, "reports": round(1 / expected)}
        return (Phrase("note.false_flags_seldom", values),)
    return (Phrase("note.false_flags", {"clinics": n_judged, "expected": round(expected)}),)


def _nothing(cohort: Cohort, rows: pd.DataFrame, seen: np.ndarray, context: Context) -> Result:
    """Return the counts alone, where nothing can be compared."""
    table = _counts(rows, seen, np.full(len(rows), np.nan))
    blank = dict.fromkeys(("estimate", "lower", "upper", "shrunken", "expected"), np.nan)
    table = table.assign(**blank, flag=pd.NA)
    children = table[["unit", "children"]].rename(columns={"unit": "clinic"})
    return Result(COMPARISON, _typed(table), context, beside={"children": children})


def _typed(table: pd.DataFrame) -> pd.DataFrame:
    types = {"count": "Int64", "figure": "Float64", "code": "string"}
    wanted = {name: types[kind] for name, kind in COMPARISON.columns.items()}
    return table[list(wanted)].astype(wanted)
