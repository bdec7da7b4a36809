"""Whether an answer hangs on those lost: extremes, weights, and how much worse they must fare."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd

from analytics.analyses.context import Method
from analytics.analyses.followed import EVENT
from analytics.analyses.hypothesis_sensitivity import STATED, Answer, Make, side_by_side
from analytics.analyses.loss_weights import STEP_DAYS, weigh
from analytics.analyses.outcome_draws import DRAWS, Known, combine_fits
from analytics.analyses.outcome_models import Data, fit_steps_of, from_cox
from analytics.analyses.study import (
    HIGH,
    Study,
    design_of,
    fit,
    in_levels,
    only_known,
)
from analytics.definitions.hypotheses import REFERENCES
from analytics.results import EFFECTS, Phrase, Result
from analytics.stats.cox import cox
from analytics.stats.spells import as_spells

#: How many times worse those lost are taken to fare.
MULTIPLES = (1.0, 1.5, 2.0, 3.0, 5.0)

#: The same for those lost on one side of the exposure alone.
ONE_SIDED = (2.0, 3.0, 5.0)

_REFERENCE = (
    "Jackson et al. 2014, Stat Med 33:4681 (multiples); "
    "Robins & Finkelstein 2000, Biometrics 56:779 (weights)"
)


def loss(study: Study, *, seed: int = 20260101) -> Result:
    """Return the answer under what those lost may have come to.

    Parameters
    ----------
    study
        What was stated.
    seed
        Of the draws.

    Returns
    -------
    Result
        Effects by ``loss``. Of a time or a share: all those lost had the event, none had, only
        the exposed among them had, only the others had; then draws in which those lost fare so
        many times as badly, all of them or one side alone; of a time also weighted by the inverse
        chance of staying. Of casts: unfinished series with the casts they had, and counted as
        unfinished. The notes give the smallest multiple on one side that turns the answer.
    """
    makes = _MAKES.get(study.outcome.kind, _nothing)(study, seed)
    method = Method(Phrase("method.loss"), _REFERENCE, (_told(study),))
    makes = {STATED: lambda: _stated(study)} | makes
    result = side_by_side(study, "loss", makes, method, seed=seed)
    tip = _tipping(result)
    context = replace(result.context, notes=(*result.context.notes, *tip))
    return Result(EFFECTS, result.frame, context, result.groups)


def is_exposed(study: Study, rows: pd.DataFrame) -> np.ndarray:
    """Return which rows lie off the reference of the exposure, or above its middle."""
    name = study.hypothesis.exposure
    levels = in_levels(only_known(rows[name]))
    commonest = levels.value_counts()
    reference = REFERENCES.get(name, str(commonest.index[0]) if len(commonest) else "")
    exposed = levels.eq(HIGH) if levels.isin([HIGH]).any() else levels.ne(reference)
    return exposed.fillna(False).to_numpy(dtype=bool)


def _stated(study: Study) -> Answer:
    design = design_of(study, study.asked.rows)
    return design, fit(study, design)


def _nothing(study: Study, seed: int) -> dict[str, Make]:
    return {}


def _casts(study: Study, seed: int) -> dict[str, Make]:
    asked = study.asked
    both = pd.concat([asked.rows, asked.lost]).sort_index()
    both = both.assign(is_unfinished=(~both["is_corrected"].fillna(False)).astype(float))

    def counted() -> Answer:
        design = design_of(study, both)
        return design, fit(study, design)

    def unfinished() -> Answer:
        design = design_of(study, both)
        return design, fit(study, design, fit_steps_of)

    return {"so_far": counted, "steps": unfinished}


def _seen_or_not(study: Study, seed: int) -> dict[str, Make]:
    """Extremes and multiples, of a time or a share."""
    rows, is_lost = _with_lost(study)
    if not is_lost.any():
        return {}
    exposed = is_exposed(study, rows)
    everyone = np.ones(len(rows), dtype=bool)

    def extreme(which: np.ndarray) -> Make:
        return lambda: _extreme(study, rows, is_lost, which)

    marked = rows.assign(is_lost=is_lost)
    learn = cache(lambda: _learn(study, marked, seed))

    def drawn(which: np.ndarray, multiple: float) -> Make:
        return lambda: _drawn(
            study, marked.assign(multiple=np.where(which, multiple, 1.0)), learn(), seed
        )

    makes = {
        "all_event": extreme(everyone),
        "none_event": extreme(~everyone),
        "exposed_event": extreme(exposed),
        "others_event": extreme(~exposed),
    }
    for side, which in (("all", everyone), ("exposed", exposed), ("others", ~exposed)):
        for multiple in MULTIPLES if side == "all" else ONE_SIDED:
            makes[f"{side}_{multiple:g}"] = drawn(which, multiple)
    return makes


def _time(study: Study, seed: int) -> dict[str, Make]:
    if study.asked.lost.empty:
        return {}
    return {"weighted": lambda: _weighted(study)} | _seen_or_not(study, seed)


_MAKES = {"time": _time, "share": _seen_or_not, "casts": _casts}


def _with_lost(study: Study) -> tuple[pd.DataFrame, np.ndarray]:
    """Return the rows with those lost among them, and which those are."""
    asked = study.asked
    unseen = asked.lost.loc[asked.lost.index.difference(asked.rows.index)]
    rows = pd.concat([asked.rows, unseen]).sort_index()
    return rows, rows.index.isin(asked.lost.index)


def _extreme(
    study: Study, rows: pd.DataFrame, is_lost: np.ndarray, has_event: np.ndarray
) -> Answer:
    """Give those lost the event as they were lost, or none to the end."""
    event = np.where(is_lost, has_event.astype(float), rows["event"].to_numpy(dtype=float))
    rows = rows.assign(event=event)
    if study.outcome.kind == "time":
        time = rows["time_days"].to_numpy(dtype=float)
        until = np.where(has_event, time + 1, days_to_end(study, rows))
        rows = rows.assign(time_days=np.where(is_lost, np.maximum(until, time), time))
    design = design_of(study, rows)
    return design, fit(study, design)


def days_to_end(study: Study, rows: pd.DataFrame) -> np.ndarray:
    """Return days from the origin to the cut-off, or to the horizon of the outcome."""
    assert study.outcome.endpoint is not None  # of a time
    origin = rows[study.outcome.endpoint.origin]
    days = (pd.Timestamp(study.cohort.cut_off) - origin).dt.days.to_numpy(dtype=float)
    indicator = study.outcome.indicator
    return np.minimum(days, indicator.horizon_days) if indicator else days


def _learn(study: Study, rows: pd.DataFrame, seed: int) -> Known:
    """Return what resamples say of those lost; the same whatever is assumed of them."""
    # Too few events, or no answer, is told before anything is drawn.
    fit(study, design_of(study, study.asked.rows))
    whole = design_of(study, rows)
    draws = DRAWS[study.outcome.kind]
    return draws.learn(Data(whole, study.by_clinic), np.random.default_rng(seed))


def _drawn(study: Study, rows: pd.DataFrame, known: Known, seed: int) -> Answer:
    """Draw what became of those lost, several times, and combine the answers."""
    if study.outcome.kind == "time":
        rows = rows.assign(end_days=days_to_end(study, rows))
    whole = design_of(study, rows)
    draws = DRAWS[study.outcome.kind]
    copies = draws.draw(Data(whole, study.by_clinic), known, np.random.default_rng(seed))
    fits = [fit(study, replace(whole, rows=copy)) for copy in copies]
    return replace(whole, rows=copies[0]), combine_fits(fits, whole.rows["child"].nunique())


def _weighted(study: Study) -> Answer:
    design = design_of(study, study.asked.rows)
    rows = design.rows
    fit(study, design)
    spells = weigh(study.cohort, rows.assign(ended=np.where(rows["event"] == 1, EVENT, 0)))
    n_spells = np.ceil(rows["time_days"].to_numpy(dtype=float) / STEP_DAYS).astype(int)
    row = np.repeat(np.arange(len(rows)), n_spells)
    assert spells.entry is not None  # weigh gives every spell its start
    entry = np.maximum(spells.entry, rows["entry_days"].to_numpy(dtype=float)[row])
    kept = spells.time > entry
    clinic = rows["clinic"].to_numpy()[row][kept] if study.by_clinic else None
    inside = as_spells(
        spells.time[kept],
        spells.event[kept],
        entry=entry[kept],
        cluster=rows["child"].to_numpy()[row][kept],
        weights=None if spells.weights is None else spells.weights[kept],
    )
    fitted = from_cox(cox(inside, design.matrix[row][kept], strata=clinic))
    return design, fitted


def _told(study: Study) -> Phrase:
    lost = study.asked.lost
    if study.outcome.kind not in _MAKES:
        return Phrase("note.loss_not_seen")
    if lost.empty:
        return Phrase("note.nobody_lost")
    return Phrase("note.n_lost", {"n_lost": len(lost), "n_rows": len(study.asked.rows)})


def _tipping(result: Result) -> tuple[Phrase, ...]:
    """Say at which multiple on one side the first effect no longer says what it said."""
    frame = result.frame
    if frame.empty or not frame["loss"].eq("exposed_2").any():
        return ()
    # The first term alone: the others have their rows in the table.
    first = frame.drop_duplicates("loss").set_index("loss")
    said = _side(first.loc[STATED])
    if said is None:
        return ()
    turned = [
        multiple
        for multiple in ONE_SIDED
        if any(
            _side(first.loc[f"{side}_{multiple:g}"]) not in (said, None)
            for side in ("exposed", "others")
        )
    ]
    if not turned:
        return (Phrase("note.no_tipping", {"largest": int(ONE_SIDED[-1])}),)
    return (Phrase("note.tips", {"multiple": int(turned[0])}),)


def _side(line: pd.Series) -> str | None:
    if pd.isna(line["lower"]) or pd.isna(line["upper"]):
        return None
    return "up" if line["lower"] > 1 else "down" if line["upper"] < 1 else "open"
