"""One register as a text file, written as registers are: quotes, line ends, headings again."""

from __future__ import annotations

import random
from pathlib import Path

from intake_tables import HEADINGS, KEY, MAP
from networks_drawn import CUT_OFF, draw_rows

from analytics.courses.network import Exports
from analytics.intake.load import Programme
from analytics.intake.map_parse import parse_map

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


def write_cell(text: str, delimiter: str, draw: random.Random) -> str:
    """A cell, in quotes where it must be or by whim; an inner quote alone may stand as it is."""
    must = any(sign in text for sign in (delimiter, "\n", "\r")) or text.startswith('"')
    if must or draw.random() < 0.005 or ('"' in text and draw.random() < 0.5):
        return '"' + text.replace('"', '""') + '"'
    return text


def write_file(path: Path, rows: list[dict[str, str]], form: dict, draw: random.Random) -> None:
    """A text file as registers write them: mixed line ends, headings again, lines of totals."""
    delimiter = form["delimiter"]

    def line(cells: list[str]) -> str:
        return delimiter.join(write_cell(cell, delimiter, draw) for cell in cells)

    heading = line([form["remark"] if name == "free text" else name for name in HEADINGS_HERE])
    text = "".join(f"{title}\n" for title in form["titles"]) + heading + form["ends"][0]
    for row in rows:
        cells = [row.get(name, "") for name in HEADINGS_HERE]
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
         "encoding": "utf-8", "codec": "utf-8", "remark": "free text"}  # fmt: skip
CODINGS = [
    {"mark": b"", "encoding": "utf-8", "codec": "utf-8"},
    {"mark": b"\xef\xbb\xbf", "encoding": "cp1252", "codec": "utf-8"},
    {"mark": b"\xff\xfe", "encoding": "utf-8", "codec": "utf-16-le"},
    {"mark": b"\xfe\xff", "encoding": "utf-8", "codec": "utf-16-be"},
    {"mark": b"", "encoding": "latin-1", "codec": "latin-1"},
]


def draw_register(n_children: int, draw: random.Random) -> list[dict[str, str]]:
    """Rows of one register; those of each child stand together, or all by day."""
    rows = [row for rows in draw_rows(2, n_children) for row in rows]
    if draw.random() < 0.5:
        rows.sort(key=lambda row: row["visited_on"])
    for row in rows:
        row |= {"free text": draw.choice(REMARKS), "ward": draw.choice(["North", "South", ""])}
    return rows
