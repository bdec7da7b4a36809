"""What is told of a large text file that is cut: as if it were read whole, and kept by spans."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from networks_drawn import as_one, assert_same, draw_rows, in_parts
from registers_drawn import HEADINGS_HERE, PLAIN, TREE, exports_of

from analytics.courses.network import Exports, settle_network
from analytics.errors import AnalyticsError
from analytics.intake import cut, part
from analytics.intake.cut import cut_text
from analytics.intake.engine import Engine
from analytics.intake.ledger import no_corrections
from analytics.intake.map_parse import parse_map

ENGINE = Engine("serial", part_bytes=1)


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
        row["ward"] = f"0700 555 {place:04}" if place % 40 == 5 else f"W{place % 6}"
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
        monkeypatch.setattr("test_cut_exports.HEADINGS_HERE", (*HEADINGS_HERE, ""))
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


def test_rows_that_name_no_foot_say_the_same_in_a_span_of_their_own(tmp_path, small_spans, rows):
    feet = {"side": "affected", "atypical": "free text"}
    tree = {**TREE, "ignore": [], "columns": {**TREE["columns"], "feet": feet}}
    for place, row in enumerate(rows):
        row |= {"affected": "left", "free text": "yes"} | ({"side": ""} if place < 96 else {})
    exports = write_plain(tmp_path / "a.csv", rows)
    exports = replace(exports, sources=[(tmp_path / "a.csv", parse_map(tree, where="a.toml"))])
    assert_same(as_one(exports), in_parts(exports, ENGINE))
