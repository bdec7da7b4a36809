"""A released result as a figure, and a figure as SVG."""

from __future__ import annotations

import hashlib
import io
import re
from collections.abc import Callable

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from analytics.display.draw_comparison import draw_comparison
from analytics.display.draw_curve import draw_curve
from analytics.display.draw_effects import draw_effects
from analytics.display.draw_estimates import draw_estimates
from analytics.display.draw_flow import draw_flow
from analytics.display.draw_profile import draw_profile
from analytics.display.draw_trend import draw_trend
from analytics.display.tables import require_released
from analytics.display.theme import empty_figure, look
from analytics.display.words import why_empty
from analytics.results import COMPARISON, CURVE, EFFECTS, ESTIMATES, FLOW, PROFILE, TREND
from analytics.sharing.protect import Released

_DRAWERS: dict[str, Callable[[Released, str], Figure]] = {
    FLOW.name: draw_flow,
    ESTIMATES.name: draw_estimates,
    CURVE.name: draw_curve,
    EFFECTS.name: draw_effects,
    TREND.name: draw_trend,
    COMPARISON.name: draw_comparison,
    PROFILE.name: draw_profile,
}


def draw(released: Released, language: str = "en") -> Figure:
    """Return the figure of a released result.

    Parameters
    ----------
    released
        Any shape; an empty one gives a figure that says so.
    language
        Language of the words.

    Raises
    ------
    TypeError
        When a result has not passed a policy.
    """
    require_released(released)
    with look():
        if released.frame.empty:
            return empty_figure(why_empty(released, language))
        return _DRAWERS[released.shape.name](released, language)


def to_svg(figure: Figure) -> str:
    """Return a figure as an SVG element: the same bytes every time, no date, ids of its own.

    Ids begin with a digest of the picture, so that several pictures on a page do not mix.
    """
    memory = io.StringIO()
    with look():
        # Without a ground of its own a page can shade the edge where a wide figure goes on.
        figure.savefig(memory, format="svg", facecolor="none")
    text = memory.getvalue()
    text = text[text.index("<svg") :]
    # The metadata hold the date and the version of the program.
    text = re.sub(r"\s*<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    mark = "f" + hashlib.sha256(text.encode()).hexdigest()[:10] + "-"
    text = re.sub(r'(\sid=")', rf"\g<1>{mark}", text)
    return re.sub(r'(url\(#|href="#)', rf"\g<1>{mark}", text)


def to_png(figure: Figure, *, dpi: int = 200) -> bytes:
    """Return a figure as PNG, for files that cannot hold SVG."""
    memory = io.BytesIO()
    with look():
        FigureCanvasAgg(figure)
        figure.savefig(memory, format="png", dpi=dpi, metadata={"Software": None})
    return memory.getvalue()
