"""Whether an answer hangs on values that were not recorded: complete cases beside imputed ones."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analytics.analyses.context import Method
from analytics.analyses.design import build_design
from analytics.analyses.hypothesis_sensitivity import Answer, side_by_side
from analytics.analyses.outcome_draws import combine_fits
from analytics.analyses.study import Study, design_of, fit, is_number, only_known
from analytics.errors import NotEstimableError
from analytics.results import Phrase, Result
from analytics.stats.missing import impute, mean_of_others
from analytics.stats.survival import kaplan_meier

_FEWEST_COPIES = 10
#: Rounds between copies: few columns have gaps, so the chain settles at once.
_N_CYCLES = 5

#: More levels than this are not imputed: what is missing is then a level of its own.
_MOST_LEVELS = 8

#: Of a column, in its own units, below which the columns before it say all of it.
_SMALLEST_REST = 1e-6

_REFERENCE = (
    "Rubin 1987; White & Royston 2009, Stat Med 28:1982 (times); "
    "White, Royston & Wood 2011, Stat Med 30:377 (copies)"
)


def missing(study: Study, *, seed: int = 20260101) -> Result:
    """Return the answer from complete cases, and with baseline values imputed.

    Parameters
    ----------
    study
        What was stated.
    seed
        Of the imputation.

    Returns
    -------
    Result
        Effects by ``rows_used``. Exposure, what is adjusted for and the subgroup are imputed from
        each other, from the outcome (of a time: the event and the cumulative hazard), from the
        clinic's mean of the outcome and from the other foot. An outcome is never imputed here.
    """
    makes = {
        "complete_cases": lambda: _complete(study),
        "imputed": lambda: _imputed(study, seed),
    }
    rows = study.asked.rows
    names = _names(study)
    gaps = pd.DataFrame({name: only_known(rows[name]).isna() for name in names})
    n_gaps = int(gaps.any(axis=1).sum())
    notes = (
        Phrase("note.missing_at_random"),
        Phrase("note.n_with_gaps", {"n_gaps": n_gaps, "n_rows": len(rows)}),
    )
    method = Method(Phrase("method.missing_values"), _REFERENCE, notes)
    return side_by_side(study, "rows_used", makes, method, seed=seed)


def _names(study: Study) -> list[str]:
    subgroup = study.hypothesis.subgroup
    return [*(c.column for c in study.covariates), *([subgroup] if subgroup else [])]


def _complete(study: Study) -> Answer:
    design = design_of(study, study.asked.rows)
    return design, fit(study, design)


def _imputed(study: Study, seed: int) -> Answer:
    rows = study.asked.rows
    fit(study, design_of(study, rows))
    known = {name: only_known(rows[name]) for name in _names(study)}
    gaps = pd.DataFrame({name: values.isna() for name, values in known.items()})
    share = float(gaps.any(axis=1).mean())
    if share == 0:
        raise NotEstimableError("nothing_missing", n_rows=len(rows))
    n_copies = max(_FEWEST_COPIES, int(np.ceil(100 * share)))
    seen, coded = _numbers(study, rows, known)
    rng = np.random.default_rng(seed)
    copies = impute(seen, n_imputations=n_copies, rng=rng, n_cycles=_N_CYCLES)
    filled = [rows.assign(**_decoded(copy, known, coded)) for copy in copies]
    designs = [build_design(copy, study.covariates) for copy in filled]
    if len({design.matrix.shape[1] for design in designs}) > 1:
        raise NotEstimableError("too_many_levels", n_copies=len(designs))
    fits = [fit(study, design) for design in designs]
    return designs[0], combine_fits(fits, rows["child"].nunique())


def _numbers(
    study: Study, rows: pd.DataFrame, known: dict[str, pd.Series]
) -> tuple[pd.DataFrame, dict[str, list[str]]]:
    """Return what imputation sees, as numbers, and the levels of each coded column."""
    columns: dict[str, pd.Series] = {}
    coded: dict[str, list[str]] = {}
    for name, values in known.items():
        if name == "clinic":
            continue  # its mean of the outcome stands for it
        if is_number(values):
            columns[name] = values.astype("Float64").astype("float64")
            continue
        texts = values.astype("string")
        levels = sorted(texts.dropna().unique())
        coded[name] = levels
        if texts.isna().any() and len(levels) > _MOST_LEVELS:
            texts = texts.fillna("unknown")
            levels = coded[name] = [*levels, "unknown"]
        for level in levels[1:]:
            is_level = texts.eq(level).astype("float64").mask(texts.isna())
            columns[f"{name}={level}"] = is_level.astype("float64")
    for name in [n for n in columns if "=" not in n and columns[n].isna().any()]:
        other = mean_of_others(columns[name].to_numpy(), rows["child"].to_numpy())
        columns[f"other foot, {name}"] = pd.Series(other, index=rows.index)
    outcome = _outcome(study, rows)
    clinic = outcome[0].groupby(rows["clinic"]).transform("mean")
    columns |= {f"outcome {i}": part for i, part in enumerate((*outcome, clinic))}
    frame = pd.DataFrame(columns, index=rows.index).astype("float64")
    return _independent(frame), coded


def _independent(frame: pd.DataFrame) -> pd.DataFrame:
    """Leave out columns that say nothing, or only what columns before them say."""
    centred = frame.fillna(frame.mean()) - frame.mean()
    size = np.sqrt((centred**2).sum())
    told = frame.loc[:, size > 0]
    if told.empty:
        return told
    scaled = (centred / size.where(size > 0, 1.0))[told.columns].to_numpy()
    rest = np.abs(np.diag(np.linalg.qr(scaled, mode="r")))
    return told.loc[:, rest > _SMALLEST_REST]


def _outcome(study: Study, rows: pd.DataFrame) -> tuple[pd.Series, ...]:
    event = rows["event"].astype("float64")
    if study.outcome.kind != "time":
        rate = event / rows["size"]
        return (rate if study.outcome.kind == "share" else np.log1p(rate),)
    time = rows["time_days"].to_numpy(dtype=float)
    curve = kaplan_meier(time, event.to_numpy() == 1)
    hazard = np.concatenate([[0.0], np.cumsum(curve.events / np.maximum(curve.at_risk, 1))])
    at = np.searchsorted(np.asarray(curve.times), time, side="right")
    return event, pd.Series(hazard[at], index=rows.index)


def _decoded(
    copy: pd.DataFrame, known: dict[str, pd.Series], coded: dict[str, list[str]]
) -> dict[str, pd.Series]:
    """Return columns with their gaps filled; a code takes the level that was drawn."""
    filled: dict[str, pd.Series] = {}
    for name, values in known.items():
        if name == "clinic":
            continue
        if name not in coded:
            filled[name] = copy[name] if name in copy else values.astype("float64")
            continue
        levels = coded[name]
        drawn = [copy.get(f"{name}={level}", pd.Series(0.0, copy.index)) for level in levels[1:]]
        rest = 0.5 * np.ones(len(copy))
        which = np.argmax(np.column_stack([rest, *drawn]), axis=1)
        told = pd.Series(np.array(levels, dtype=object)[which], index=copy.index, dtype="string")
        filled[name] = values.astype("string").fillna(told)
    return filled
