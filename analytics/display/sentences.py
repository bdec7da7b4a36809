"""What each shape says, one function per shape."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np
import pandas as pd

from analytics.definitions.labels import label
from analytics.definitions.steps import unit_of_step
from analytics.display import measures, numbers, terms
from analytics.display.curve_table import parts_of, read_at
from analytics.display.estimate_sentences import count_words, tell_estimates
from analytics.display.numbers import DAYS_IN_YEAR
from analytics.display.readings import effect_name, rows_of, scale_of_trend, written_scale
from analytics.results import COMPARISON, CURVE, EFFECTS, ESTIMATES, FLOW, PROFILE, TREND
from analytics.sharing.protect import Released

#: More groups than this are not told one by one.
_MOST_GROUPS = 5


def _flow(released: Released, language: str) -> tuple[str, ...]:
    say, default = partial(label, language), released.context.unit
    told = []
    keys = [*released.groups, "step"]
    for key, rows in released.frame.groupby(keys, sort=False, dropna=False):
        first = rows.iloc[0]
        step = say(f"step.{key[-1]}")
        if released.groups:
            where = terms.group(released.groups, tuple(key[:-1]), language)
            step = say("word.group", name=where, level=step)
        if pd.isna(first["n_in"]) or pd.isna(first["n_out"]):
            told.append(say("sentence.flow_hidden", step=step))
            continue
        n_in, n_out = int(first["n_in"]), int(first["n_out"])
        values = {
            "step": step,
            "n_in": numbers.count(n_in, language),
            "n_out": numbers.count(n_out, language),
            "units": numbers.units(n_in, unit_of_step(str(key[-1]), default), language),
        }
        parts = [
            say(
                "sentence.flow_reason",
                reason=terms.reason(r.reason, language),
                n=count_words(r.n_reason, language),
            )
            for r in rows.itertuples()
            if pd.isna(r.n_reason) or r.n_reason > 0
        ]
        key_ = "sentence.flow_reasons" if parts else "sentence.flow"
        told.append(say(key_, **values, parts=", ".join(parts)))
    return tuple(told)


def _curve(released: Released, language: str) -> tuple[str, ...]:
    parts = list(parts_of(released))
    if not parts:
        return (label(language, "sentence.curve_none"),)
    ends = [float(rows["time"].iloc[-1]) for _, rows in parts]
    told = []
    for (key, rows), end in zip(parts, ends, strict=True):
        for time in _told_times(rows, end, released, many=len(parts) > _MOST_GROUPS):
            told.append(_read_sentence(key, rows, time, released=released, language=language))
        if not released.policy.smallest_count:
            told += _median(key, rows, released, language)
    first, last = (time_words(t, released, language) for t in (min(ends), max(ends)))
    if first == last:
        told.append(label(language, "sentence.curve_end", time=last))
    else:
        told.append(label(language, "sentence.curve_ends", first=first, last=last))
    return tuple(told)


def _median(
    key: tuple[object, ...], rows: pd.DataFrame, released: Released, language: str
) -> list[str]:
    """Say when half had left a state that all began in; a curve that rises from 0 has no such."""
    estimate = rows["estimate"].to_numpy(dtype=float, na_value=np.nan)
    if not estimate[0] >= 0.5:
        return []
    state = label(language, f"state.{key[-1]}")
    if released.groups:
        where = terms.group(released.groups, key[:-1], language)
        state = label(language, "word.group", name=where, level=state)
    reached = np.flatnonzero(estimate <= 0.5)
    if not len(reached):
        return [label(language, "sentence.median_not_reached", state=state)]
    words = time_words(float(rows["time"].iloc[reached[0]]), released, language)
    return [label(language, "sentence.median", state=state, time=words)]


def _told_times(rows: pd.DataFrame, end: float, released: Released, *, many: bool) -> list[float]:
    if released.policy.smallest_count or released.context.time_unit != "day":
        return [end]
    whole = [year * DAYS_IN_YEAR for year in (1, 2, 5) if year * DAYS_IN_YEAR <= end]
    return (whole[-1:] if many else whole) or [end]


def time_words(time: float, released: Released, language: str) -> str:
    """Return a time of a curve in words."""
    if time == 0:
        return label(language, "word.start")
    if released.context.time_unit == "day":
        return numbers.duration(time, language)
    return numbers.counted(round(time), released.context.time_unit, language)


def _read_sentence(
    key: tuple[object, ...], rows: pd.DataFrame, time: float, *, released: Released, language: str
) -> str:
    at = read_at(rows, pd.array([time], dtype="float64").to_numpy()).iloc[0]
    n = int(at["at_risk"])
    values = {
        "state": label(language, f"state.{key[-1]}"),
        "time": time_words(time, released, language),
        "at_risk": numbers.count(n, language),
        "units": numbers.units(n, released.context.unit, language),
    }
    for name in ("estimate", "lower", "upper"):
        known = not pd.isna(at[name])
        values[name] = (
            measures.write(at[name], written_scale("percent", released), language)
            if known
            else label(language, "word.not_estimable")
        )
    if released.groups:
        where = terms.group(released.groups, key[:-1], language)
        return label(language, "sentence.curve_group", group=where, **values)
    return label(language, "sentence.curve", **values)


def _effects(released: Released, language: str) -> tuple[str, ...]:
    told = []
    name = effect_name(released, language)
    for row in rows_of(released, released.frame):
        words = terms.term(row.text("term"), row.cell("level"), row.cell("reference"), language)
        if released.groups:
            where = terms.group(released.groups, row.groups, language)
            words = label(language, "word.group", name=where, level=words)
        if row.is_hidden:
            told.append(label(language, "sentence.effect_hidden", term=words))
        elif row.estimate is None or row.lower is None or row.upper is None:
            told.append(label(language, "sentence.effect_none", term=words))
        else:
            side = "up" if row.lower > 1 else "down" if row.upper < 1 else "open"
            ends = {
                end: numbers.ratio(value, language)
                for end, value in (
                    ("estimate", row.estimate),
                    ("lower", row.lower),
                    ("upper", row.upper),
                )
            }
            told.append(label(language, f"sentence.effect_{side}", term=words, effect=name, **ends))
    return tuple(told)


def _trend(released: Released, language: str) -> tuple[str, ...]:
    read = rows_of(released, released.frame)
    hidden = sum(row.is_hidden for row in read)
    told = []
    for row in read:
        signal = row.cell("signal")
        if row.estimate is None or not terms.has_level(signal) or signal == "none":
            continue
        period = terms.level("period", row.text("period"), language)
        if released.groups:
            where = terms.group(released.groups, row.groups, language)
            period = label(language, "word.group", name=where, level=period)
        scale = written_scale(scale_of_trend(released), released)
        value = measures.write(row.estimate, scale, language)
        words = label(language, f"signal.{signal}")
        told.append(
            label(language, "sentence.trend_signal", period=period, estimate=value, signal=words)
        )
    if not told and len(read) > hidden:
        is_judged = any(row.figure("upper_limit") is not None for row in read)
        told.append(label(language, f"sentence.trend_{'quiet' if is_judged else 'unjudged'}"))
    if hidden:
        told.append(label(language, "sentence.trend_hidden", n=hidden, total=len(read)))
    return tuple(told)


def _comparison(released: Released, language: str) -> tuple[str, ...]:
    # What is unusual is told first.
    first = (label(language, f"flag.{flag}") for flag in ("higher", "lower"))
    by_flag: dict[str, list[str]] = {words: [] for words in first}
    for row in rows_of(released, released.frame):
        key = f"flag.{row.text('flag')}" if row.text("flag") else "word.not_estimable"
        if row.is_hidden:
            key = "word.withheld"
        name = terms.level("unit", row.cell("unit"), language)
        if released.groups:
            name = terms.group(released.groups, row.groups, language)
        by_flag.setdefault(label(language, key), []).append(name)
    return tuple(
        label(language, "sentence.comparison", flag=flag, units=_listed(names, released))
        for flag, names in by_flag.items()
        if names
    )


def _listed(names: list[str], released: Released) -> str:
    # Names of measures hold commas.
    return ("; " if released.groups else ", ").join(names)


def _profile(released: Released, language: str) -> tuple[str, ...]:
    told = []
    keys = [*released.groups, "variable"]
    for key, rows in released.frame.groupby(keys, sort=False, dropna=False):
        words = terms.column(str(key[-1]), language)
        if released.groups:
            where = terms.group(released.groups, tuple(key[:-1]), language)
            words = label(language, "word.group", name=where, level=words)
        parts = [
            label(
                language,
                "sentence.profile_part",
                level=terms.level(str(key[-1]), row.level, language),
                n=count_words(row.n, language),
            )
            for row in rows.itertuples()
            if terms.has_level(row.level)
        ]
        if parts:
            told.append(label(language, "sentence.profile", variable=words, parts=", ".join(parts)))
        told += _told_numbers(released, rows, words, language)
    return tuple(told)


def _told_numbers(
    released: Released, rows: pd.DataFrame, variable: str, language: str
) -> list[str]:
    """Say the mean or median of a number where it may be shown."""
    return [
        label(
            language,
            "sentence.profile_number",
            variable=variable,
            centre=numbers.decimal(row.figure("centre") or 0.0, language),
            spread=numbers.decimal(row.figure("spread") or 0.0, language),
            statistic=label(language, f"statistic.{row.text('statistic')}"),
            n=count_words(row.count("n"), language),
        )
        for row in rows_of(released, rows)
        if not terms.has_level(row.cell("level")) and row.figure("spread") is not None
    ]


SENTENCES: dict[str, Callable[[Released, str], tuple[str, ...]]] = {
    FLOW.name: _flow,
    ESTIMATES.name: tell_estimates,
    CURVE.name: _curve,
    EFFECTS.name: _effects,
    TREND.name: _trend,
    COMPARISON.name: _comparison,
    PROFILE.name: _profile,
}
