"""A profile as bars of counts, one panel for each variable."""

from __future__ import annotations

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from analytics.definitions.labels import label
from analytics.display import numbers, terms
from analytics.display.estimate_sentences import count_words
from analytics.display.readings import Row, rows_of
from analytics.display.theme import QUIET, ROW_HEIGHT, SERIES, fold, new_figure
from analytics.sharing.protect import Released


def draw_profile(released: Released, language: str) -> Figure:
    """Return bars for the levels of each variable; a number is told in words."""
    panels: dict[str, list[Row]] = {}
    for row in rows_of(released, released.frame):
        panels.setdefault(row.text("variable"), []).append(row)
    heights = [ROW_HEIGHT * len(rows) + 0.3 for rows in panels.values()]
    figure = new_figure(sum(heights) + 0.2)
    grid = figure.subplots(len(panels), 1, squeeze=False, height_ratios=heights)[:, 0]
    largest = max([row.count("n") or 0 for rows in panels.values() for row in rows] + [1])
    for axes, (variable, rows) in zip(grid, panels.items(), strict=True):
        _draw_panel(axes, rows, released, language)
        axes.set_xlim(0, largest * 1.3)
        axes.set_title(_title(variable, rows, language), fontsize=8.5)
    return figure


def _title(variable: str, rows: list[Row], language: str) -> str:
    words = fold(terms.column(variable, language), width=60)
    missing = [count_words(row.count("missing"), language) for row in rows[:1]]
    is_none = all(row.count("missing") == 0 for row in rows)
    return words if is_none else label(language, "axis.not_recorded", name=words, n=missing[0])


def _draw_panel(axes: Axes, rows: list[Row], released: Released, language: str) -> None:
    names = []
    for place, row in enumerate(rows):
        n = row.count("n")
        name = terms.group(released.groups, row.groups, language) if released.groups else ""
        has_level = terms.has_level(row.cell("level"))
        if has_level:
            level = terms.level(row.text("variable"), row.cell("level"), language)
            name = terms.beside(name, level, language) if name else level
            axes.barh(place, n or 0, height=0.6, color=SERIES[0].colour)
        names.append(fold(name, width=36))
        text = count_words(n, language) if has_level else _told(row, language)
        axes.annotate(text, ((n or 0) if has_level else 0, place), xytext=(4, 0),
                      textcoords="offset points", va="center", fontsize=8,
                      color=QUIET if n is None else None)  # fmt: skip
    axes.set_yticks(range(len(rows)), names)
    axes.set_ylim(len(rows) - 0.4, -0.6)
    axes.tick_params(axis="y", length=0)
    axes.xaxis.set_visible(False)
    axes.spines["bottom"].set_visible(False)


def _told(row: Row, language: str) -> str:
    centre, spread = row.figure("centre"), row.figure("spread")
    if centre is None:
        return label(language, "word.few" if "n" in row.hidden else "word.not_estimable")
    text = numbers.decimal(centre, language)
    if spread is not None:
        text = f"{text} ({numbers.decimal(spread, language)})"
    statistic = row.text("statistic")
    return f"{text}, {label(language, f'statistic.{statistic}')}" if statistic else text
