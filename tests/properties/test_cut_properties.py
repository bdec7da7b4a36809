"""One large text file, cut into spans or read whole: the same records, cohort and errors."""

from __future__ import annotations

import random
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from intake_tables import HEADINGS, KEY, MAP
from networks_drawn import CUT_OFF, as_one, assert_same, draw_rows, in_parts
from test_parts_properties import CHANGES

from analytics.courses.network import Exports, settle_network
from analytics.errors import AnalyticsError
from analytics.intake import cut, part
from analytics.intake.cut import cut_text
from analytics.intake.engine import Engine
from analytics.intake.ledger import no_corrections
from analytics.intake.load import Programme
from analytics.intake.map_parse import parse_map
from analytics.intake.read import read_sheet

#: What a caregiver's remark can hold; it is read by nobody, but stands in every row.
REMARKS = (
    "", "plain", "two\nlines", "three\r\n\r\nlines", 'a "quoted" word', '"', '""', 'size 5" bar',
    "naïve – ½ ж 足 \U0001f9b6", "a,b;c\td", "\ufeffmark", " ", "\n", "Total",
)  # fmt: skip
TREE = {
    **MAP,
    "ignore": ["free text"],
    "columns": {**MAP["columns"], "children": {**MAP["columns"]["children"], "extra_ward": "ward"}},  # type: ignore[dict-item]
    "unmapped_codes": "ledger",
}
HEADINGS_HERE = ("number", "free text", "ward", *HEADINGS[1:])
COLUMNS = ("number", "free\ntext", "ward", *HEADINGS[1:])

FEW = settings(max_examples=4, deadline=None, phases=(Phase.explicit, Phase.generate))
MANY = settings(FEW, max_examples=40)
ENGINE = Engine("serial", part_bytes=1)


def write_cell(text: str, delimiter: str, draw: random.Random) -> str:
    """A cell, in quotes where it must be or by whim; an inner quote alone may stand as it is."""
    must = any(sign in text for sign in (delimiter, "\n", "\r")) or text.startswith('"')
    if must or draw.random() < 0.05 or ('"' in text and draw.random() < 0.5):
        return '"' + text.replace('"', '""') + '"'
    return text


def write_file(path: Path, rows: list[dict[str, str]], form: dict, draw: random.Random) -> None:
    """A text file as registers write them: mixed line ends, headings again, lines of totals."""
    delimiter = form["delimiter"]

    def line(cells: list[str]) -> str:
        return delimiter.join(write_cell(cell, delimiter, draw) for cell in cells)

    heading = line([*COLUMNS])
    text = "".join(f"{title}\n" for title in form["titles"]) + heading + form["ends"][0]
    for row in rows:
        cells = [row.get(name, "") for name in COLUMNS]
        text += line(cells) + draw.choice(form["ends"])
        other = draw.random()
        if other < 0.08:
            odd = (heading, "\ufeff" + heading, "", delimiter * (len(cells) - 1),
                   line(["Total", *["7"] * (len(cells) - 1)]), line(cells[:-2]),
                   line([*cells, "more"]))  # fmt: skip
            text += draw.choice(odd) + draw.choice(form["ends"])
    if not form["closed"]:
        text = text.rstrip("\r\n")
    path.write_bytes(form["mark"] + text.encode(form["codec"], "replace"))


def exports_of(path: Path, form: dict) -> Exports:
    file = {"delimiter": form["delimiter"], "header_line": 1 + len(form["titles"])}
    file |= {"encoding": form["encoding"], "total_rows": ["Total"]}
    source = (path, parse_map({**TREE, "file": file}, where="plain.toml"))
    return Exports([source], KEY, Programme(CUT_OFF), CUT_OFF)


PLAIN = {"delimiter": ",", "titles": [], "ends": ["\n"], "closed": True, "mark": b"",
         "encoding": "utf-8", "codec": "utf-8"}  # fmt: skip
CODINGS = [
    {"mark": b"", "encoding": "utf-8", "codec": "utf-8"},
    {"mark": b"\xef\xbb\xbf", "encoding": "cp1252", "codec": "utf-8"},
    {"mark": b"\xff\xfe", "encoding": "utf-8", "codec": "utf-16-le"},
    {"mark": b"\xfe\xff", "encoding": "utf-8", "codec": "utf-16-be"},
    {"mark": b"", "encoding": "latin-1", "codec": "latin-1"},
]
FORMS = st.fixed_dictionaries(
    {
        "delimiter": st.sampled_from([",", ";", "\t"]),
        "titles": st.sampled_from([[], ["Register", 'of "all" clinics']]),
        "ends": st.sampled_from([["\n"], ["\r\n"], ["\n", "\r\n"], ["\n", "\n", "\r\n", "\r"]]),
        "closed": st.booleans(),
        "coding": st.sampled_from(CODINGS),
    }
).map(lambda form: {**form, **form["coding"]})


def draw_register(n_children: int, draw: random.Random) -> list[dict[str, str]]:
    """Rows of one register; those of each child stand together, or all by day."""
    rows = [row for rows in draw_rows(2, n_children) for row in rows]
    if draw.random() < 0.5:
        rows.sort(key=lambda row: row["visited_on"])
    for row in rows:
        row |= {"free\ntext": draw.choice(REMARKS), "ward": draw.choice(["North", "South", ""])}
    return rows


@MANY
@given(form=FORMS, seed=st.integers(0, 10**9), span_bytes=st.sampled_from([2, 90, 400, 2_000]))
def test_rows_of_spans_are_the_rows_of_the_file(form, seed, span_bytes):
    draw = random.Random(seed)
    rows = draw.sample(draw_register(2, draw), 30)
    with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        patch.setattr(cut, "FEWEST_BYTES", span_bytes)
        path = Path(folder) / "register.csv"
        write_file(path, rows, form, draw)
        how = exports_of(path, form).sources[0][1].file
        sha256, spans = cut_text(path, how, span_bytes)
        whole = read_sheet(path, how)
        if "\r" not in form["ends"]:  # else the headings may end with one, which is not cut
            assert len(spans) > 1
        if spans:
            pieces = [read_sheet(path, how, span) for span in spans]
            assert sha256 == whole.sha256
            np.testing.assert_array_equal(np.concatenate([p.line for p in pieces]), whole.line)
            np.testing.assert_array_equal(np.concatenate([p.aside for p in pieces]), whole.aside)
            cells = pd.concat([p.cells.astype(object) for p in pieces], ignore_index=True)
            pd.testing.assert_frame_equal(cells, whole.cells.astype(object))


@FEW
@given(
    form=FORMS,
    seed=st.integers(0, 10**9),
    span_bytes=st.sampled_from([2_500, 6_000, 14_000]),
    changes=CHANGES,
)
def test_a_file_cut_into_any_spans_gives_what_it_gives_whole(form, seed, span_bytes, changes):
    draw = random.Random(seed)
    rows = draw_register(4, draw)
    for place, name, text in changes:
        rows[place % len(rows)][name] = text
    rows += [dict(draw.choice(rows)) for _ in range(3)]
    with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        patch.setattr(part, "BUCKET_CHILDREN", 2)
        patch.setattr(cut, "FEWEST_BYTES", span_bytes)
        path = Path(folder) / "register.csv"
        write_file(path, rows, form, draw)
        exports = exports_of(path, form)
        assert_same(as_one(exports), in_parts(exports, ENGINE))


@pytest.fixture
def small_spans(monkeypatch):
    monkeypatch.setattr(cut, "FEWEST_BYTES", 4_000)


def told(exports: Exports, *, whole: bool) -> str:
    """The message with which an export is refused."""
    with pytest.raises(AnalyticsError) as caught:
        as_one(exports) if whole else in_parts(exports, ENGINE)
    return str(caught.value)


def write_plain(path: Path, rows: list[dict[str, str]], more: str = "") -> Exports:
    """A register without quotes, and what a clerk added at its end."""
    lines = [",".join(row.get(name, "") for name in HEADINGS_HERE) for row in rows]
    path.write_text("\n".join([",".join(HEADINGS_HERE), *lines]) + "\n" + more, encoding="utf-8")
    return exports_of(path, PLAIN)


def stop_at_unmapped(exports: Exports) -> Exports:
    ((path, source_map),) = exports.sources
    return replace(exports, sources=[(path, replace(source_map, unmapped_codes="stop"))])


@pytest.fixture
def rows():
    return [row | {"ward": "North"} for rows in draw_rows(1, 8) for row in rows]


def test_unknown_codes_are_told_as_of_the_whole_file(tmp_path, small_spans, rows):
    for place, text in ((3, "fem"), (50, "mal"), (99, "mal"), (150, "mal"), (151, "boy")):
        rows[place]["sex"] = text
    exports = stop_at_unmapped(write_plain(tmp_path / "a.csv", rows))
    message = told(exports, whole=False)
    assert message == told(exports, whole=True)
    assert "'mal', 'fem', 'boy'" in message
    assert "line 52" in message


def test_a_clinic_that_the_programme_has_not_is_told_with_its_line(tmp_path, small_spans, rows):
    rows[170]["clinic"] = "N99"
    exports = stop_at_unmapped(write_plain(tmp_path / "a.csv", rows))
    clinics = pd.DataFrame({"clinic": pd.array(["N00", "N01"], dtype="string")})
    exports = replace(exports, programme=replace(exports.programme, clinics=clinics))
    message = told(exports, whole=False)
    assert message == told(exports, whole=True)
    assert "'N99'" in message and "line 172" in message


def test_telephones_thinly_spread_are_seen_in_the_whole(tmp_path, small_spans, rows):
    for place, row in enumerate(rows):
        row["ward"] = f"0700 555 {place:04}" if place % 24 == 5 else f"W{place % 6}"
    exports = write_plain(tmp_path / "a.csv", rows)
    message = told(exports, whole=False)
    assert message == told(exports, whole=True)
    assert "'ward' looks like telephone numbers" in message


def test_names_in_one_span_alone_are_few_in_the_whole(tmp_path, small_spans, rows):
    for place, row in enumerate(rows):
        row["ward"] = f"Ward Number{'abcdefghijklmnop'[place % 16]}" if place < 16 else "North"
    exports = write_plain(tmp_path / "a.csv", rows)
    assert_same(as_one(exports), in_parts(exports, ENGINE))


def test_a_correction_that_brings_an_identifier_is_refused(tmp_path, small_spans, rows):
    exports = write_plain(tmp_path / "a.csv", rows)
    wanted = dict.fromkeys(no_corrections().columns, "") | {
        "action": "correct", "file": "a.csv", "line": "150", "child": "", "column": "ward",
        "before": "North", "after": "ama@example.org"}  # fmt: skip
    corrections = pd.DataFrame([wanted]).astype(no_corrections().dtypes.to_dict())
    exports = replace(exports, programme=replace(exports.programme, corrections=corrections))
    message = told(exports, whole=False)
    assert message == told(exports, whole=True)
    assert "e-mail" in message


FAULTS = {
    "never closed": ('7,"North\n', "unexpected end of data"),
    "after a quote": ('7,"North" ward,x\n', "expected after"),
    "no heading": ("," * len(HEADINGS_HERE) + "more\n", "has values but no heading"),
}


@pytest.mark.parametrize("more, message", FAULTS.values(), ids=FAULTS)
def test_a_row_that_cannot_be_read_is_told_with_its_line(
    tmp_path, small_spans, rows, more, message, monkeypatch
):
    if "heading" in message:
        monkeypatch.setattr("test_cut_properties.HEADINGS_HERE", (*HEADINGS_HERE, ""))
    exports = write_plain(tmp_path / "a.csv", rows, more)
    spans = told(exports, whole=False)
    assert spans == told(exports, whole=True)
    assert message in spans
    assert len(cut_text(exports.sources[0][0], exports.sources[0][1].file, 1)[1]) > 3


def test_a_sign_in_another_encoding_is_told_as_of_the_whole_file(tmp_path, small_spans, rows):
    exports = write_plain(tmp_path / "a.csv", rows)
    path = exports.sources[0][0]
    path.write_bytes(path.read_bytes() + b"7,\xe9t\xe9\n")
    assert told(exports, whole=False) == told(exports, whole=True)


def test_blank_lines_that_fill_spans_are_no_rows(tmp_path, small_spans, rows):
    blank = ",".join([""] * len(HEADINGS_HERE)) + "\n"
    exports = write_plain(tmp_path / "a.csv", rows, blank * 600)
    assert_same(as_one(exports), in_parts(exports, ENGINE))
    exports = write_plain(tmp_path / "b.csv", [], blank * 600)
    assert told(exports, whole=False) == told(exports, whole=True)


def test_a_file_that_changes_while_it_is_read_is_refused(tmp_path, small_spans, rows, monkeypatch):
    exports = write_plain(tmp_path / "a.csv", rows)
    path = exports.sources[0][0]

    def cut_then_change(*asked):
        spans = cut_text(*asked)
        path.write_text(path.read_text(encoding="utf-8").replace("N00", "N01"), encoding="utf-8")
        return spans

    monkeypatch.setattr(part, "cut_text", cut_then_change)
    assert "was changed while it was read" in told(exports, whole=False)


def test_a_refused_file_leaves_nothing_of_a_person_and_is_refused_again(
    tmp_path, small_spans, rows
):
    for place, row in enumerate(rows):
        row["ward"] = f"ama{place}@example.org"
    exports = write_plain(tmp_path / "a.csv", rows)
    engine = replace(ENGINE, cache=tmp_path / "cache")
    for _ in range(2):
        with pytest.raises(AnalyticsError, match="e-mail"), settle_network(exports, engine):
            pass
    assert {path.suffix for path in engine.cache.iterdir()} == {".npy"}


def test_rows_added_at_the_end_leave_the_spans_before_as_they_were(tmp_path, small_spans, rows):
    engine = replace(ENGINE, cache=tmp_path / "cache")
    exports = write_plain(tmp_path / "a.csv", rows)
    with settle_network(exports, engine) as network:
        before = {*network.parts}
    late = [row | {"number": "new"} for row in rows[:3]]
    exports = write_plain(tmp_path / "a.csv", rows + late)
    with settle_network(exports, engine) as network:
        new = [place for place in network.parts if place not in before]
        assert (len(network.parts) > 5, len(new)) == (True, 2)  # the last span; its bucket
    assert_same(as_one(exports), in_parts(exports, engine))
