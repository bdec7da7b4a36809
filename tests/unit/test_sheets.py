"""A tall figure comes in parts that each fit a sheet, and no row of it is lost on the way."""

from __future__ import annotations

import re
from base64 import b64decode

import pandas as pd
import pytest
from shown import context, estimates_frame

from analytics.definitions.policies import INTERNAL
from analytics.display.block import BLOCK_TYPE, MORE_PICTURES, Block
from analytics.display.figures import draw
from analytics.display.sheets import MOST_HEIGHT, split
from analytics.display.tables import Cell, Column, Table
from analytics.display.theme import move_apart
from analytics.results import EFFECTS, ESTIMATES, FLOW, PROFILE, TREND, Phrase, Result
from analytics.sharing.protect import protect

#: Inches of a figure beside its panels: axis, room at the edges.
_EDGES = 0.8


def estimates(n_groups: int, measures: tuple[str, ...], column: str = "clinic") -> Result:
    rows = [
        ({column: f"C{i:03d}"} if n_groups else {})
        | {"measure": measure, "n": 90, "denominator": 80, "numerator": 40}
        for measure in measures
        for i in range(max(n_groups, 1))
    ]
    return Result(ESTIMATES, estimates_frame(rows), context(), (column,) if n_groups else ())


def bounds(n: int) -> Result:
    lines = [f"{m}.{line}" for m in ("tenotomy_rate", "initial_correction") * n
             for line in ("seen", "lowest", "highest")]  # fmt: skip
    return estimates(0, tuple(lines))


def trend(n_clinics: int) -> Result:
    lines = [
        (f"C{clinic:03d}", f"202{year}Q1", 8, 10, 0.8, 0.8, 0.5, 1.0, "none")
        for clinic in range(n_clinics)
        for year in range(5)
    ]
    frame, question = pd.DataFrame(lines, columns=["clinic", *TREND.columns]), "trend_tenotomy_rate"
    return Result(
        TREND, frame, context(question, population=Phrase("population.indicators")), ("clinic",)
    )


def effects(n_rows: int) -> Result:
    lines = [("pirani_start", "", "", 200, 50, 1.3, 1.1, 1.5, 0.001)] * n_rows
    frame = pd.DataFrame(lines, columns=list(EFFECTS.columns))
    return Result(EFFECTS, frame, context("relapse_effects"))


def profile(n_variables: int) -> Result:
    lines = [
        (variable, level, 40, 2, None, None, "count")
        for variable in ("sex", "bilateral", "diagnosis", "side", "prior_treatment")[:n_variables]
        for level in ["unknown"] * 8
    ]
    frame = pd.DataFrame(lines, columns=list(PROFILE.columns))
    return Result(PROFILE, frame, context("feet"))


TALL = {
    "clinics": estimates(14, ("tenotomy_rate", "initial_correction", "children_lost") * 2),
    "bounds": bounds(1),
    "clinic by clinic": trend(14),
    "effects": effects(40),
    "profile": profile(5),
}


@pytest.mark.parametrize("name", TALL)
def test_parts_fit_a_sheet_and_hold_every_row_once(name: str) -> None:
    released = protect(TALL[name], INTERNAL)
    sheets = split(released)
    rows = [row for part in sheets.parts for row in part.frame.index]
    assert sorted(rows) == list(released.frame.index)
    assert sheets.n_left_out == 0
    for part in sheets.parts:
        assert part.hidden.index.equals(part.frame.index)
        assert draw(part).get_figheight() <= MOST_HEIGHT + _EDGES


@pytest.mark.parametrize("name", ["clinics", "clinic by clinic", "effects", "profile"])
def test_what_is_tall_is_cut_into_parts_that_are_about_alike(name: str) -> None:
    heights = [draw(part).get_figheight() for part in split(protect(TALL[name], INTERNAL)).parts]
    assert len(heights) > 1
    assert max(heights) <= 2 * min(heights)


def test_the_lines_of_one_measure_and_the_panels_of_one_group_stay_together() -> None:
    many = tuple(f"casts.{line}" if i % 2 else f"casts_seen.{line}" for i in range(12)
                 for line in ("seen", "lowest", "highest"))  # fmt: skip
    parts = split(protect(estimates(0, many), INTERNAL)).parts
    assert len(parts) > 1
    codes = [set(part.frame["measure"].str.split(".").str[0]) for part in parts]
    assert all(a.isdisjoint(b) for i, a in enumerate(codes) for b in codes[i + 1 :])
    clinics = [set(part.frame["clinic"]) for part in split(protect(trend(20), INTERNAL)).parts]
    assert len(clinics) > 1
    assert all(a.isdisjoint(b) for i, a in enumerate(clinics) for b in clinics[i + 1 :])


def test_what_fits_stays_whole_and_an_empty_result_too() -> None:
    for result in (effects(5), trend(4), estimates(5, ("tenotomy_rate",))):
        released = protect(result, INTERNAL)
        assert split(released).parts == (released,)
    assert len(split(protect(effects(0), INTERNAL)).parts) == 1


def test_a_diagram_is_cut_where_another_way_begins() -> None:
    lines = [
        ("rows_kept", 31517, 31499, "rows_merged", 18),
        ("children_seen", 1995, 1990, "not_seen", 5),
    ]
    chain = ("started", "corrected", "braced", "braced_2y", "followed_2y", "lasting_2y")
    n = 2958
    for step in chain:
        lines += [(step, n, n - 60, reason, 10) for reason in ("lost", "died", "relapsed") * 2]
        n -= 60
    frame = pd.DataFrame(lines, columns=list(FLOW.columns))
    released = protect(Result(FLOW, frame, context("feet")), INTERNAL)
    parts = split(released).parts
    assert [set(part.frame["step"]) for part in parts] == [
        {"rows_kept", "children_seen"}, set(chain)
    ]  # fmt: skip
    assert sum(len(part.frame) for part in parts) == len(frame)


def test_panels_that_are_left_to_the_table_are_counted_below_the_figure() -> None:
    block = Block(protect(trend(30), INTERNAL))
    assert split(block.released).n_left_out == 6
    caption = re.findall("<figcaption>(.*?)</figcaption>", block.to_html())[0]
    assert "6 more in the table" in caption
    assert "more in the table" not in Block(protect(trend(14), INTERNAL)).to_html()


def test_every_part_has_a_text_of_its_own_and_a_picture() -> None:
    block = Block(protect(trend(14), INTERNAL), "fr")
    html = block.to_html()
    alts = re.findall(r'<svg role="img" aria-label="([^"]*)"', html)
    assert len(alts) == len(set(alts)) == html.count("<svg ") == 2
    assert "partie 2 sur 2" in alts[1]
    assert html.count("<figure") == 1
    forms = block._repr_mimebundle_()
    data = forms[BLOCK_TYPE]
    assert isinstance(data, dict)
    pictures = [forms["image/png"], *data[MORE_PICTURES]]
    assert len(pictures) == 2
    assert all(b64decode(str(picture)).startswith(b"\x89PNG") for picture in pictures)


@pytest.mark.parametrize(
    "heights", [[0.5, 0.5, 0.5], [0.9, 0.1, 0.5], [0.4, 0.42, 0.9, 0.41], [0.3], []]
)
def test_words_at_the_ends_of_lines_do_not_touch_and_keep_their_order(
    heights: list[float],
) -> None:
    moved = move_apart(heights, 0.05)
    order = sorted(range(len(heights)), key=lambda place: heights[place])
    gaps = [moved[b] - moved[a] for a, b in zip(order, order[1:], strict=False)]
    assert all(gap >= 0.05 - 1e-12 for gap in gaps)
    assert sum(moved) == pytest.approx(sum(heights))
    apart = [0.1, 0.5, 0.9]
    assert move_apart(apart, 0.05) == pytest.approx(apart)


@pytest.mark.parametrize(("n", "parts"), [(1, []), (15, [15]), (16, [8, 8]), (31, [11, 11, 9])])
def test_a_header_of_many_rows_stands_again_after_some(n: int, parts: list[int]) -> None:
    rows = tuple((Cell("Group", "Group", is_header=True), Cell(i, str(i))) for i in range(n))
    html = Table("t", "t", (Column("a", "a"), Column("b", "b")), rows).to_html()
    assert [int(span) for span in re.findall(r'rowspan="(\d+)"', html)] == parts
    assert re.findall(r"<td>(\d+)</td>", html) == [str(i) for i in range(n)]
