"""Files taken apart by Arrow hold what the csv module of the standard library reads in them."""

from __future__ import annotations

import csv
import io
import random

import pyarrow as pa
import pytest

from analytics.errors import ExportFileError
from analytics.intake.map_types import FileSettings
from analytics.intake.plain_text import open_plain
from analytics.intake.read_text import read_text_file

SIGNS = ["a", "b", "é", "中", " ", ",", ",", '"', '""', "\n", "\n", "\r\n", "\r", "\0", "\ufeff"]
PLAIN = ["a", "bc", "é", " ", ",", ",", "\n", "\n"]


def take_apart(content: bytes, n_columns: int = 2) -> list[list[str]] | None:
    plain = open_plain(content, FileSettings())
    if plain is None or len(plain.headings) != n_columns:
        return None
    table = plain.parse(dict.fromkeys(range(n_columns), pa.string()))
    return (
        None if table is None else [[*row] for row in zip(*table.to_pydict().values(), strict=True)]
    )


def draw_text(rng: random.Random) -> str:
    if rng.random() < 0.5:
        cells = [rng.choice(["", "a", "é", '"q,""\n"', " x", '"y"']) for _ in range(8)]
        return "\n".join(f"{a},{b}" for a, b in zip(cells[::2], cells[1::2], strict=True))
    return "".join(rng.choice(rng.choice([SIGNS, PLAIN])) for _ in range(rng.randrange(12)))


def test_what_arrow_takes_apart_is_what_the_standard_library_reads():
    rng, taken = random.Random(5), 0
    for _ in range(4_000):
        text = draw_text(rng)
        found = take_apart(f"h,i\n{text}".encode())
        if found is not None:
            assert found == [*csv.reader(io.StringIO(text, newline=""))], repr(text)
            taken += 1
    assert taken > 300


@pytest.mark.parametrize(
    "rest",
    [b"", b"1,2\n3\n", b"1,2\n3,4,5\n", b"1,2\n\n3,4\n", b"1,2\r3,4\n", b"1,2\n3\r,4\n",
     b"\xef\xbb\xbf1,2\n", b'1"x,"2\n', b"1,\xff\n"],
)  # fmt: skip
def test_what_readers_could_differ_on_is_not_taken_apart(rest):
    assert take_apart(b"h,i\n" + rest) is None


@pytest.mark.parametrize("head", [b'h,"i"\n', b"h,\xff\n", b"h,i"])
def test_headings_that_are_not_plain_are_left_to_another_reader(head):
    assert open_plain(head + (b"1,2\n" if head.endswith(b"\n") else b""), FileSettings()) is None


def test_a_byte_outside_the_encoding_is_found_on_any_line():
    rows = b"1,a\n" * 400_000
    with pytest.raises(ExportFileError, match="byte 0xff") as caught:
        read_text_file(b"h,i\n" + rows + b"2,\xff\n" + rows, FileSettings(), "a.csv")
    assert "line 400002" in str(caught.value)


def test_lines_above_the_headings_stay():
    settings = FileSettings(header_line=2, header_lines=1)
    plain = open_plain(b"Register of 2024\nh,i\r\n1,2\r\n", settings)
    assert plain is not None
    assert plain.above == ("Register of 2024",)
    assert plain.headings == ("h", "i")
    assert plain.parse({1: pa.string()}).to_pydict() == {"1": ["2"]}
