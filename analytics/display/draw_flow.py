"""A flow as a diagram, or by groups as one bar for each step: the dark part went on."""

from __future__ import annotations

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from analytics.definitions.labels import label
from analytics.display import numbers, terms
from analytics.display.draw_boxes import draw_boxes
from analytics.display.estimate_sentences import count_words
from analytics.display.theme import PALE, QUIET, RULE, SERIES, STEP_HEIGHT, fit, fold, new_figure
from analytics.sharing.protect import Released


def draw_flow(released: Released, language: str) -> Figure:
    """Return the diagram; by groups, a bar for each step with the rest in words below it."""
    if not released.groups:
        return draw_boxes(released, language)
    keys = [*released.groups, "step"]
    steps = list(released.frame.groupby(keys, sort=False, dropna=False))
    figure = new_figure(STEP_HEIGHT * len(steps) + 0.35)
    axes = figure.add_subplot()
    largest = released.frame["n_in"].max()
    scale = 1.0 if pd.isna(largest) else max(float(largest), 1.0)
    names = []
    for place, (key, rows) in enumerate(steps):
        _draw_step(axes, place, rows, scale=scale, language=language)
        name = label(language, f"step.{key[-1]}")
        where = terms.group(released.groups, key[:-1], language)
        names.append(f"{fit(where, longest=24)}\n{name}")
    axes.set_yticks(range(len(steps)), names)
    axes.set_ylim(len(steps) - 0.3, -0.45)
    axes.set_xlim(0, 1.0)
    axes.tick_params(axis="y", length=0)
    axes.xaxis.set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_visible(False)
    return figure


def _draw_step(axes: Axes, place: int, rows: pd.DataFrame, *, scale: float, language: str) -> None:
    first = rows.iloc[0]
    hidden = pd.isna(first["n_in"]) or pd.isna(first["n_out"])
    if hidden:
        axes.barh(place, 0.25, height=0.4, facecolor="none", edgecolor=QUIET, linestyle=(0, (3, 3)))
        words = label(language, "word.few")
        axes.text(0.26, place, words, va="center", color=QUIET, style="italic")
    else:
        n_in, n_out = int(first["n_in"]), int(first["n_out"])
        axes.barh(place, n_in / scale * 0.78, height=0.4, color=PALE, edgecolor=RULE, linewidth=0.7)
        axes.barh(place, n_out / scale * 0.78, height=0.4, color=SERIES[0].colour)
        of = label(
            language,
            "axis.shown_of",
            n=numbers.count(n_out, language),
            total=numbers.count(n_in, language),
        )
        axes.text(n_in / scale * 0.78 + 0.01, place, of, va="center")
    reasons = [
        f"{terms.reason(row.reason, language)} {count_words(row.n_reason, language)}"
        for row in rows.itertuples()
        if pd.isna(row.n_reason) or row.n_reason > 0
    ]
    if reasons:
        text = fold("  \N{MIDDLE DOT}  ".join(reasons), width=88)
        axes.text(0, place + 0.27, text, va="top", fontsize=7.5, color=QUIET)
