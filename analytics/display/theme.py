"""The look of figures, in one place: quiet, readable without colour."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from textwrap import wrap
from typing import Any

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont, get_font
from matplotlib.layout_engine import ConstrainedLayoutEngine

from analytics.display.terms import LONGEST_IN_FIGURE, clean, shorten

INK = "#1d252c"
QUIET = "#55606a"
RULE = "#c9d0d6"
PALE = "#e6e9ec"

#: Inches; 7.2 is the width of a page's text, and drawn at 720 pixels there.
WIDTH = 7.2
ROW_HEIGHT = 0.27

#: A row whose name may take two lines, and a panel of points along time.
FOLDED_HEIGHT, PANEL_HEIGHT = 0.36, 1.9

#: A step of a flow with its bar and the words below it.
STEP_HEIGHT = 0.62

#: More rows than this in one panel cannot be read; the rest stand in the table.
MOST_IN_PANEL = 40


@dataclass(frozen=True)
class Style:
    """How one series looks; no two share a marker or a line, so that colour is never needed."""

    colour: str
    marker: str
    line: tuple[float, tuple[float, ...] | None]


#: Blue, vermilion, bluish green and reddish purple of the eight colours told apart by readers of
#: every colour vision in Okabe & Ito 2008, "Color Universal Design"; ink in place of black. Their
#: yellow, orange and sky blue are left out: on white they lack contrast.
SERIES = (
    Style("#0072B2", "o", (0, None)),
    Style("#D55E00", "s", (0, (6, 2))),
    Style(INK, "^", (0, (2, 1.5))),
    Style("#009E73", "D", (0, (6, 2, 1.5, 2))),
    Style("#A8558A", "v", (0, (1, 1))),
)

_RC: dict[Any, Any] = {
    "axes.edgecolor": QUIET,
    "axes.facecolor": "none",
    "axes.labelcolor": INK,
    "axes.labelsize": 8.5,
    "axes.linewidth": 0.7,
    "axes.spines.right": False,
    "axes.spines.top": False,
    "axes.titlelocation": "left",
    "axes.titlesize": 9,
    "axes.unicode_minus": True,
    "figure.dpi": 100,
    "figure.facecolor": "white",
    "font.family": ["DejaVu Sans"],
    "font.size": 8.5,
    "lines.linewidth": 1.5,
    "lines.markersize": 5,
    "savefig.facecolor": "white",
    "svg.fonttype": "path",
    "svg.hashsalt": "talipes-outcomes",
    "text.color": INK,
    # Letters as wide in every file as where the figure was laid out.
    "text.hinting": "none",
    # A dollar sign in a clinic's name is no formula.
    "text.parse_math": False,
    "text.usetex": False,
    "xtick.color": QUIET,
    "xtick.labelcolor": INK,
    "ytick.color": QUIET,
    "ytick.labelcolor": INK,
}


@contextmanager
def look() -> Iterator[None]:
    """Draw with this look inside, and leave everything as it was after."""
    with mpl.rc_context():
        mpl.rcdefaults()
        mpl.rcParams.update(_RC)
        yield


def new_figure(height: float, *, width: float = WIDTH) -> Figure:
    """Return an empty figure of this many inches that makes room for its labels."""
    room = ConstrainedLayoutEngine(w_pad=0.08, h_pad=0.06)
    return Figure(figsize=(width, max(height, 1.0)), layout=room)


def panel_of_rows(n_rows: int) -> float:
    """Return the inches of a panel of so many rows, with its title and its axis."""
    return 0.62 + ROW_HEIGHT * min(max(n_rows, 2), MOST_IN_PANEL)


def fit(text: str, *, longest: int = LONGEST_IN_FIGURE) -> str:
    """Return a text that the font can draw, on one line, shortened."""
    drawable = "".join(c if _has_glyph(c) else "\N{WHITE SQUARE}" for c in clean(text))
    return shorten(drawable, longest)


def fold(text: str, *, width: int = 30, most: int = 2) -> str:
    """Return a text on at most so many lines."""
    lines = wrap(fit(text, longest=width * most + 10), width) or [""]
    if len(lines) > most:
        lines = [*lines[: most - 1], shorten(" ".join(lines[most - 1 :]), width)]
    return "\n".join(lines)


@cache
def _has_glyph(character: str) -> bool:
    font = get_font(findfont(FontProperties(family="DejaVu Sans")))
    return bool(font.get_char_index(ord(character)))


def move_apart(heights: Sequence[float], least: float) -> list[float]:
    """Return heights, in the order given, that are at least so far from each other.

    Parameters
    ----------
    heights
        Where the middle of each word would stand.
    least
        Distance at which two words do not touch.
    """
    order = sorted(range(len(heights)), key=lambda place: heights[place])
    moved = [float(height) for height in heights]
    for below, above in pairwise(order):
        moved[above] = max(moved[above], moved[below] + least)
    pushed = sum(moved) - sum(heights)
    shift = pushed / len(moved) if moved else 0.0
    return [height - shift for height in moved]


def quiet_y(axes: Axes) -> None:
    """Take away the vertical axis where rows are named."""
    axes.spines["left"].set_visible(False)
    axes.tick_params(axis="y", length=0)
    axes.grid(axis="x", color=PALE, linewidth=0.7)
    axes.set_axisbelow(True)


def empty_figure(words: str) -> Figure:
    """Return a figure that only says why there is nothing to draw."""
    figure = new_figure(1.0)
    figure.text(0.02, 0.5, fold(words, width=80), va="center", color=QUIET)
    return figure
