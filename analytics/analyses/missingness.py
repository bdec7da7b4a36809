"""What is missing at baseline, and whether it moves the answer on casts and score."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from scipy import stats

from analytics.analyses.casts import ADJUSTMENT, count_finished
from analytics.analyses.context import Method, describe, why_not
from analytics.analyses.design import Covariate, Design, build_design, effects_frame
from analytics.analyses.groups import typed
from analytics.courses.cohort import Cohort
from analytics.errors import NotEstimableError
from analytics.results import EFFECTS, PROFILE, Phrase, Result, Share
from analytics.stats.counts import log_linear
from analytics.stats.missing import (
    combine,
    combined_interval,
    impute,
    mean_of_others,
    missing_patterns,
)

BASELINE = ("pirani_start", "age_start_days", "diagnosis", "prior_treatment", "atypical")
_SCORE = "pirani_start"
_FEWEST_COPIES = 10

#: Rounds between copies; few columns have gaps, so the chain settles at once.
_N_CYCLES = 5


def profile(cohort: Cohort) -> Result:
    """Return, for each baseline value, feet that have it and feet that lack it, with their casts.

    Returns
    -------
    Result
        A profile: ``level`` is recorded or not_recorded, ``centre`` and ``spread`` the mean and
        standard deviation of casts to correction, so that a reader sees whether values are
        missing where treatment differs. ``unknown`` as an answer counts as not recorded.
    """
    rows, exclusions = count_finished(cohort)
    absent = _absent(rows)
    used = rows["n_casts"].astype("float64")
    lines = []
    for name in BASELINE:
        for level, which in (("recorded", ~absent[name]), ("not_recorded", absent[name])):
            casts = used[which]
            lines.append(
                {
                    "variable": name,
                    "level": level,
                    "n": len(casts),
                    "missing": int(absent[name].sum()),
                    "centre": casts.mean() if len(casts) else np.nan,
                    "spread": casts.std() if len(casts) > 1 else np.nan,
                    "statistic": "mean",
                }
            )
    patterns = missing_patterns(absent.mask(absent, np.nan))
    several = int(patterns.loc[patterns["n_missing_columns"] > 1, "n_rows"].sum())
    context = describe(cohort, "missing_baseline", rows, method=Method(Phrase("method.count")))
    context = replace(
        context,
        population=Phrase("population.casts"),
        exclusions=exclusions,
        notes=(Phrase("note.missing_together", {"n_several": several, "n_total": len(rows)}),),
    )
    return Result(PROFILE, typed(pd.DataFrame(lines), PROFILE, ()), context)


def effects(cohort: Cohort, *, seed: int = 20260101) -> Result:
    """Return the rate ratios of casts from complete cases, and with missing values imputed.

    Parameters
    ----------
    cohort
        Feet at the cut-off.
    seed
        For the imputation.

    Returns
    -------
    Result
        Effects by ``rows_used``: ``complete_cases``, then ``imputed`` (all corrected feet;
        score, age and atypical foot imputed from each other, casts, diagnosis, treatment
        before, the clinic's mean of casts and the other foot's score; combined
        by Rubin's rules on estimates clustered by child). Event dates and casts are never imputed.
    """
    rows, exclusions = count_finished(cohort)
    covariates = [Covariate(_SCORE), *ADJUSTMENT]
    complete = build_design(rows, covariates)
    method = Method(
        Phrase("method.missing_effects"),
        "Rubin 1987; Barnard & Rubin 1999, Biometrika 86:948; van Buuren 2018, ch. 4",
        (Phrase("note.missing_at_random"),),
    )
    context = replace(
        describe(cohort, "missing_effects", rows, method=method),
        population=Phrase("population.casts"),
        exclusions=exclusions,
        seed=seed,
    )
    parts, notes = [], []
    for name, answer in (
        ("complete_cases", lambda: _complete(complete)),
        ("imputed", lambda: _imputed(rows, covariates, seed)),
    ):
        try:
            frame, told = answer()
            parts.append(frame.assign(rows_used=name))
            notes += told
        except NotEstimableError as reason:
            notes.append(why_not(reason))
    empty = pd.DataFrame(columns=["rows_used", *EFFECTS.columns])
    frame = pd.concat(parts, ignore_index=True) if parts else empty
    context = replace(context, notes=(*context.notes, *notes))
    return Result(EFFECTS, typed(frame, EFFECTS, ("rows_used",)), context, ("rows_used",))


def _absent(rows: pd.DataFrame) -> pd.DataFrame:
    """Return which values are missing; ``unknown`` is no knowledge either."""
    columns = {
        name: (rows[name].isna() | rows[name].astype("string").eq("unknown").fillna(False))
        for name in BASELINE
    }
    return pd.DataFrame(columns).astype(bool)


def _estimate(design: Design) -> tuple[np.ndarray, np.ndarray, int]:
    matrix = np.column_stack([np.ones(len(design.rows)), design.matrix])
    used, child = design.rows["n_casts"].to_numpy(dtype=float), design.rows["child"].to_numpy()
    fit = log_linear(used, matrix, cluster=child)
    return fit.coefficients, fit.covariance, fit.degrees


def _complete(design: Design) -> tuple[pd.DataFrame, list[Phrase]]:
    beta, covariance, degrees = _estimate(design)
    se = np.sqrt(np.diag(covariance))
    frame = _frame(design, (beta, se, np.full(beta.size, float(degrees))))
    n_out = sum(n for _, n in design.exclusions)
    return frame, [Phrase("note.complete_cases", {"n_used": len(design.rows), "n_out": n_out})]


def _imputed(
    rows: pd.DataFrame, covariates: list[Covariate], seed: int
) -> tuple[pd.DataFrame, list[Phrase]]:
    numbers = _numbers(rows)
    share = float(numbers[list(_IMPUTED)].isna().any(axis=1).mean())
    # As many copies as per cent of rows with a gap: White, Royston & Wood 2011, Stat Med 30:377.
    n_copies = max(_FEWEST_COPIES, int(np.ceil(100 * share)))
    rng = np.random.default_rng(seed)
    copies = impute(numbers, n_imputations=n_copies, rng=rng, n_cycles=_N_CYCLES)
    designs = [build_design(_filled(rows, copy), covariates) for copy in copies]
    found = [_estimate(design) for design in designs]
    combined = combine([f[0] for f in found], [f[1] for f in found], degrees=float(found[0][2]))
    interval = combined_interval(combined)
    se = np.sqrt(np.diag(combined.covariance))
    frame = _frame(designs[0], (interval.estimate, se, combined.degrees))
    values = {"n_copies": n_copies, "share": Share(combined.missing_share[1])}
    return frame, [Phrase("note.imputed", values)]


_IMPUTED = ("pirani_start", "age_start_days", "atypical")


def _numbers(rows: pd.DataFrame) -> pd.DataFrame:
    """Return what imputation sees: outcome, covariates, clinic, and the other foot's score."""
    score = rows[_SCORE].to_numpy(dtype=float, na_value=np.nan)
    atypical = rows["atypical"].astype("string")
    log_casts = np.log(rows["n_casts"].astype("float64"))
    frame = pd.DataFrame(
        {
            "pirani_start": score,
            "age_start_days": rows["age_start_days"].to_numpy(dtype=float, na_value=np.nan),
            "atypical": atypical.map({"yes": 1.0, "no": 0.0}).to_numpy(float, na_value=np.nan),
            "log_casts": log_casts,
            "casts_of_clinic": log_casts.groupby(rows["clinic"]).transform("mean"),
            "other_foot": mean_of_others(score, rows["child"].to_numpy()),
        },
        index=rows.index,
    )
    codes = [pd.get_dummies(rows[c].astype("string").fillna("unknown"), prefix=c, drop_first=True)
             for c in ("diagnosis", "prior_treatment")]  # fmt: skip
    return pd.concat([frame, *codes], axis=1).astype("float64")


def _filled(rows: pd.DataFrame, copy: pd.DataFrame) -> pd.DataFrame:
    atypical = copy["atypical"].round().map({1.0: "yes", 0.0: "no"}).astype("string")
    known = {c: rows[c].astype("string").fillna("unknown") for c in ("diagnosis",
             "prior_treatment")}  # fmt: skip
    return rows.assign(
        pirani_start=copy["pirani_start"],
        age_start_days=copy["age_start_days"],
        atypical=atypical,
        **known,
    )


def _frame(design: Design, fitted: tuple[np.ndarray, np.ndarray, np.ndarray]) -> pd.DataFrame:
    beta, se, degrees = fitted
    half = stats.t.ppf(0.975, degrees) * se
    ratios = pd.DataFrame(
        {
            "estimate": np.exp(beta),
            "lower": np.exp(beta - half),
            "upper": np.exp(beta + half),
            "p": 2 * stats.t.sf(np.abs(beta / se), degrees),
        }
    )
    used = design.rows["n_casts"].to_numpy(dtype=float)
    return effects_frame(design, used, ratios, skip=1)
