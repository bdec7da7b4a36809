"""Frames become artists, and figures become the same bytes twice."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import pytest
from matplotlib import rcParams
from matplotlib.figure import Figure
from matplotlib.patches import FancyBboxPatch
from shown import context, curve_result, estimates_frame

from analytics.definitions.policies import INTERNAL, PUBLIC
from analytics.display.figures import draw, to_png, to_svg
from analytics.display.theme import SERIES, fit, fold
from analytics.results import COMPARISON, EFFECTS, ESTIMATES, FLOW, PROFILE, TREND, Result
from analytics.sharing.protect import protect

HOSTILE = "<script>$\\nope{$</script>\u202e=cmd|' \N{CJK UNIFIED IDEOGRAPH-65E5}" + "very " * 30


def flow() -> Result:
    lines = [
        ("started", 90, 80, "no_cast_recorded", 10),
        ("corrected", 80, 60, "lost", 15),
        ("corrected", 80, 60, "died", 5),
    ]
    return Result(FLOW, pd.DataFrame(lines, columns=list(FLOW.columns)), context("feet"))


def estimates(groups: list[object], column: str = "") -> Result:
    rows = [
        ({column: group} if column else {})
        | {"measure": measure, "n": 90, "denominator": 80, "numerator": 40 + i, "outside": 10}
        for i, group in enumerate(groups)
        for measure in ("tenotomy_rate", "initial_correction")
    ]
    return Result(ESTIMATES, estimates_frame(rows), context(), (column,) if column else ())


def curves(*names: str) -> Result:
    rows = [(float(t), t % 3 == 0) for t in range(10, 800, 4)]
    return curve_result({name: rows[i:] for i, name in enumerate(names)}, group="clinic")


def effects() -> Result:
    lines = [
        ("pirani_start", "", "", 200, 50, 1.3, 1.1, 1.5, 0.001),
        ("adherence_early", "not", "as_advised", 40, 30, 9.0, 0.4, 180.0, 0.2),
        ("prior_treatment", "surgery", "none", 12, 0, np.nan, np.nan, np.nan, np.nan),
    ]
    frame = pd.DataFrame(lines, columns=list(EFFECTS.columns))
    return Result(EFFECTS, frame, context("relapse_effects"))


def trend() -> Result:
    lines = [
        (f"2024Q{i}", k, 100, k / 100, 0.8, 0.7, 0.9, "low" if k < 70 else "none")
        for i, k in ((1, 80), (2, 85), (3, 60), (4, 78))
    ]
    return Result(TREND, pd.DataFrame(lines, columns=list(TREND.columns)), context("tenotomy_rate"))


def comparison(*, with_limits: bool) -> Result:
    lines = [
        (name, k, 100, 80.0, k / 100, k / 100, k / 100 - 0.1, k / 100 + 0.1, flag)
        for name, k, flag in (("Asmara", 80, "as_expected"), ("Birao", 40, "lower"))
    ]
    limits = pd.DataFrame({"denominator": [10, 200], "centre": 0.8, "upper_95": [1.0, 0.9],
                           "lower_95": [0.5, 0.7]})  # fmt: skip
    frame = pd.DataFrame(lines, columns=list(COMPARISON.columns))
    return Result(COMPARISON, frame, context(), (), {"limits": limits} if with_limits else {})


def profile() -> Result:
    lines = [("sex", "female", 40, 2, None, None, "count"),
             ("sex", "male", 60, 2, None, None, "count"),
             ("pirani_start", "", 95, 7, 5.1, 1.2, "mean")]  # fmt: skip
    return Result(PROFILE, pd.DataFrame(lines, columns=list(PROFILE.columns)), context("feet"))


RESULTS = {
    "flow": flow(),
    "estimates": estimates([""]),
    "estimates by clinic": estimates(["A", HOSTILE], "clinic"),
    "estimates by quarter": estimates(["2024Q1", "2024Q2", "2024Q3"], "quarter"),
    "estimates by score": estimates([2.0, 3.5], "pirani_start"),
    "curve": curves(""),
    "curves": curves("A", HOSTILE),
    "many curves": curves(*"ABCDEFG"),
    "effects": effects(),
    "trend": trend(),
    "funnel": comparison(with_limits=True),
    "comparison": comparison(with_limits=False),
    "profile": profile(),
}


def texts(figure: Figure) -> str:
    return "\n".join(
        text.get_text() for axes in figure.axes for text in axes.findobj(match=_is_text)
    )


def _is_text(artist: object) -> bool:
    return hasattr(artist, "get_text")


@pytest.mark.parametrize("name", RESULTS)
@pytest.mark.parametrize("policy", [INTERNAL, PUBLIC], ids=lambda policy: policy.audience)
def test_every_shape_is_drawn_twice_to_the_same_bytes(name: str, policy: object) -> None:
    released = protect(RESULTS[name], policy)  # type: ignore[arg-type]
    first, second = (to_svg(draw(released)) for _ in range(2))
    assert first == second
    ElementTree.fromstring(first)
    assert "<script" not in first
    assert not re.search(r"\d{4}-\d\d-\d\dT", first)


@pytest.mark.parametrize("name", RESULTS)
def test_a_bare_result_is_refused(name: str) -> None:
    with pytest.raises(TypeError, match="disclosure policy"):
        draw(RESULTS[name])  # type: ignore[arg-type]


@pytest.mark.parametrize("name", RESULTS)
def test_an_empty_result_is_a_figure_that_says_so(name: str) -> None:
    result = RESULTS[name]
    empty = Result(result.shape, result.frame.iloc[:0], result.context, result.groups)
    figure = draw(protect(empty, INTERNAL))
    assert "nothing to show" in figure.texts[0].get_text()


def test_ids_of_two_pictures_on_a_page_do_not_meet() -> None:
    pictures = [to_svg(draw(protect(RESULTS[n], INTERNAL))) for n in ("curve", "flow")]
    found = [set(re.findall(r'\sid="([^"]+)"', picture)) for picture in pictures]
    assert all(found)
    assert not found[0] & found[1]
    for picture, ids in zip(pictures, found, strict=True):
        assert set(re.findall(r'(?:url\(#|href="#)([^")]+)', picture)) <= ids


def test_drawing_leaves_the_settings_of_others_alone() -> None:
    before = dict(rcParams)
    to_png(draw(protect(flow(), INTERNAL)), dpi=40)
    assert dict(rcParams) == before


def test_a_flow_bar_is_as_long_as_its_share() -> None:
    by_file = flow().frame.assign(file="a.csv")[["file", *FLOW.columns]]
    result = Result(FLOW, by_file, context("rows"), ("file",))
    axes = draw(protect(result, INTERNAL)).axes[0]
    widths = [patch.get_width() for patch in axes.patches]
    assert np.allclose(np.array(widths) / widths[0] * 90, [90, 80, 80, 60])
    assert "80 of 90" in texts(axes.figure)


def test_a_flow_is_drawn_as_boxes_with_those_who_left_beside_them() -> None:
    lines = [*flow().frame.itertuples(index=False, name=None)]
    lines += [("tenotomy", 60, 50, "no_tenotomy", 10), ("braced", 60, 60, "none", 0)]
    frame = pd.DataFrame(lines, columns=list(FLOW.columns))
    axes = draw(protect(Result(FLOW, frame, context("feet")), INTERNAL)).axes[0]
    said = [t.get_text().strip() for t in axes.texts if t.get_text()]
    assert said == [
        "Affected feet", "90 feet", "no cast is recorded: 10", "Began casting", "80 feet",
        "lost to follow-up: 15", "died: 5", "Corrected", "60 feet",
        "Of these, tenotomy done: 50 feet", "corrected without tenotomy: 10",
        "Fitted with a brace", "60 feet",
    ]  # fmt: skip
    boxes = [patch.get_bbox() for patch in axes.patches if isinstance(patch, FancyBboxPatch)]
    assert not any(a.overlaps(b) for i, a in enumerate(boxes) for b in boxes[:i])
    limits = (*axes.get_xlim(), *sorted(axes.get_ylim()))
    for box in boxes:
        assert limits[0] <= box.x0 and box.x1 <= limits[1]
        assert limits[2] <= box.y0 and box.y1 <= limits[3]


def test_dots_and_intervals_stand_at_the_figures() -> None:
    axes = draw(protect(estimates([""]), INTERNAL)).axes[0]
    dots = [line.get_xdata()[0] for line in axes.lines if line.get_marker() == "o"]
    spans = [list(line.get_xdata()) for line in axes.lines if len(line.get_xdata()) == 2]
    assert np.allclose(dots, [50.0, 50.0])
    assert np.allclose(spans, [[40.0, 60.0]] * 2)
    assert "50.0% (40.0–60.0)" in texts(axes.figure)


def test_a_curve_steps_through_its_events_and_ends_where_it_was_cut() -> None:
    released = protect(curves(""), INTERNAL)
    top, below = draw(released).axes
    line = max(top.lines, key=lambda line: len(line.get_xdata()))
    frame = released.frame
    bends = frame.loc[frame["events"].gt(0) | frame.index.isin([0, frame.index[-1]])]
    assert list(line.get_xdata()) == bends["time"].tolist()
    assert list(line.get_ydata()) == bends["estimate"].tolist()
    assert line.get_drawstyle() == "steps-post"
    assert top.get_xticks().tolist() == sorted({t.get_position()[0] for t in below.texts})


def test_a_public_curve_has_whole_months_on_its_axis_and_says_when_the_table_was_read() -> None:
    # The steps of a public curve end where enough has happened: seldom at a whole year.
    rows = [(float(t), t % 21 == 0) for t in range(200, 1300, 3) if not 600 < t < 760]
    released = protect(curve_result({"": rows * 3}), PUBLIC)
    top, below = draw(released).axes
    assert [t.get_text() for t in top.get_xticklabels()][:3] == ["0", "12", "24"]
    told = {t.get_position()[0] for t in below.texts}
    assert told <= set(released.frame["time"].astype(float)) and not told <= set(top.get_xticks())
    assert below.get_yticklabels()[-1].get_text() == "Months"
    assert len({t.get_position()[1] for t in below.texts}) == 4


def test_the_numbers_below_a_curve_add_up_to_all_at_every_tick() -> None:
    released = protect(curves(""), INTERNAL)
    below = draw(released).axes[1]
    columns: dict[float, int] = {}
    for text in below.texts:
        time = text.get_position()[0]
        columns[time] = columns.get(time, 0) + int(text.get_text())
    assert len(columns) > 3
    assert set(columns.values()) == {int(released.frame["at_risk"].iloc[0])}


def test_many_curves_have_a_panel_each() -> None:
    figure = draw(protect(curves(*"ABCDEFG"), INTERNAL))
    titles = [axes.get_title(loc="left") for axes in figure.axes if axes.get_visible()]
    assert titles == list("ABCDEFG")


def test_no_two_series_share_colour_marker_or_line() -> None:
    for what in ("colour", "marker", "line"):
        assert len({getattr(style, what) for style in SERIES}) == len(SERIES)


def test_effects_stand_on_a_logarithmic_axis_with_a_line_at_one() -> None:
    axes = draw(protect(effects(), INTERNAL)).axes[0]
    assert axes.get_xscale() == "log"
    assert [line for line in axes.lines if list(line.get_xdata()) == [1.0, 1.0]]
    low, high = axes.get_xlim()
    assert 0 < low < 0.4 and high < 25
    assert [line for line in axes.lines if line.get_marker() == ">"]
    assert "not estimable" in texts(axes.figure)


def test_a_signal_is_told_by_mark_and_word() -> None:
    axes = draw(protect(trend(), INTERNAL)).axes[0]
    marks = [line for line in axes.lines if line.get_marker() == "D"]
    assert [list(mark.get_ydata()) for mark in marks] == [[60.0]]
    assert "below the limits" in texts(axes.figure)


def test_a_funnel_names_the_unusual_clinics_alone() -> None:
    figure = draw(protect(comparison(with_limits=True), INTERNAL))
    assert "Birao" in texts(figure)
    assert "Asmara" not in texts(figure)
    assert "lower than expected" in texts(figure)


def test_a_withheld_figure_is_said_not_drawn() -> None:
    rows = [{"n": 50, "denominator": 50, "numerator": 2}]
    result = Result(ESTIMATES, estimates_frame(rows), context(n_feet=50))
    axes = draw(protect(result, PUBLIC)).axes[0]
    assert "withheld" in texts(axes.figure)
    assert not [line for line in axes.lines if line.get_marker() == "o"]


def test_hostile_names_are_short_and_drawable() -> None:
    name = fit(HOSTILE)
    assert len(name) <= 34
    assert "\u202e" not in name
    assert "\N{WHITE SQUARE}" in fit("\N{CJK UNIFIED IDEOGRAPH-65E5}")
    assert fold("one two three four five", width=9, most=2).count("\n") == 1
