"""A workbook from plain sheets: numbers as numbers, no formulas, the same bytes every time."""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from functools import partial
from typing import Any

from xlsxwriter import Workbook
from xlsxwriter.format import Format
from xlsxwriter.worksheet import Worksheet

from analytics.definitions.labels import label
from analytics.display import numbers, terms

WIDEST_COLUMN = 36
#: Points of one line of a row, and the margins of a sheet in inches.
LINE_HEIGHT, MARGIN = 15, 0.4
#: Spreadsheets' number for A4.
_A4 = 9
#: Longest name of a tab that every spreadsheet takes.
LONGEST_NAME = 31
_FORBIDDEN = re.compile(r"[\[\]:*?/\\\x00-\x1f]")


class Percent(float):
    """A share from 0 to 1 that a workbook shows as a percentage."""


@dataclass(frozen=True)
class Sheet:
    """One table with what must stand beside it.

    Parameters
    ----------
    name
        Name of the tab; made short, allowed and unique when written.
    title
        What the table holds.
    about
        Lines above the table: what, and its words.
    heads
        Headings.
    rows
        Values: number, ``Percent``, text, date, or None for nothing.
    choices
        Columns to fill in, by their place, with the answers that a spreadsheet offers there.
    """

    name: str
    title: str
    about: tuple[tuple[str, str], ...]
    heads: tuple[str, ...]
    rows: tuple[tuple[Any, ...], ...]
    choices: tuple[tuple[int, tuple[str, ...]], ...] = ()


@dataclass(frozen=True)
class _Styles:
    title: Format
    head: Format
    text: Format
    day: Format
    percent: Format
    name: Format


def build_workbook(sheets: Sequence[Sheet], *, about: str, cut_off: date, language: str) -> bytes:
    """Return the bytes of a workbook whose first sheet explains and lists the others.

    Parameters
    ----------
    sheets
        Tables in order.
    about
        What the workbook is, for the first sheet.
    cut_off
        Stands as the workbook's date, so that the same numbers give the same bytes.
    language
        Language of the fixed words.
    """
    say = partial(label, language)
    names = unique_names([say("workbook.read_me"), *(sheet.name for sheet in sheets)])
    front = Sheet(
        names[0],
        about,
        (("", say("workbook.made_from", day=numbers.day(cut_off, language))),),
        tuple(say(f"workbook.{head}") for head in ("sheet", "holds", "rows")),
        tuple((n, s.title, len(s.rows)) for n, s in zip(names[1:], sheets, strict=True)),
    )
    memory = io.BytesIO()
    options = {
        "in_memory": True,
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "strings_to_numbers": False,
    }
    with Workbook(memory, options) as book:
        book.set_properties({"created": datetime.combine(cut_off, time())})
        styles = _make_styles(book)
        for name, sheet in zip(names, [front, *sheets], strict=True):
            told = [terms.beside(*pair, language) if pair[0] else pair[1] for pair in sheet.about]
            _write_sheet(book.add_worksheet(name), sheet, told, styles)
    return memory.getvalue()


def unique_names(names: Sequence[str]) -> list[str]:
    """Return names that a workbook allows for its sheets, each once, in the same order."""
    taken: set[str] = set()
    given = []
    for name in names:
        clean = _FORBIDDEN.sub(" ", terms.clean(name)).strip().strip("'").strip() or "-"
        short = clean[:LONGEST_NAME].strip()
        number = 1
        while short.casefold() in taken or short.casefold() == "history":
            number += 1
            end = f" ({number})"
            short = f"{clean[: LONGEST_NAME - len(end)].strip()}{end}"
        taken.add(short.casefold())
        given.append(short)
    return given


def _make_styles(book: Workbook) -> _Styles:
    return _Styles(
        title=book.add_format({"bold": True, "font_size": 13}),
        head=book.add_format({"bold": True, "text_wrap": True, "valign": "top", "bottom": 1}),
        text=book.add_format({"text_wrap": True, "valign": "top"}),
        day=book.add_format({"num_format": "yyyy-mm-dd", "align": "left", "valign": "top"}),
        percent=book.add_format({"num_format": "0.0%", "valign": "top"}),
        name=book.add_format({"italic": True, "valign": "top"}),
    )


def _write_sheet(tab: Worksheet, sheet: Sheet, told: Sequence[str], styles: _Styles) -> None:
    tab.write_string(0, 0, terms.visible(sheet.title), styles.title)
    for line, words in enumerate(told, start=1):
        tab.write_string(line, 0, terms.visible(words), styles.name)
    top = len(told) + 2
    widths = _widths(sheet)
    _fit_row(tab, top, sheet.heads, widths)
    for column, head in enumerate(sheet.heads):
        tab.write_string(top, column, head, styles.head)
    for number, row in enumerate(sheet.rows, start=top + 1):
        _fit_row(tab, number, row, widths)
        for column, value in enumerate(row):
            _write_value(tab, (number, column), value, styles)
    for column, answers in sheet.choices:
        cells = (top + 1, column, top + max(len(sheet.rows), 1), column)
        tab.data_validation(*cells, {"validate": "list", "source": list(answers)})
    for column, width in enumerate(widths):
        tab.set_column(column, column, width)
    tab.freeze_panes(top + 1, 0)
    tab.repeat_rows(top)
    tab.set_landscape()
    tab.set_paper(_A4)
    tab.set_margins(MARGIN, MARGIN, MARGIN, MARGIN)
    tab.fit_to_pages(1, 0)


def _fit_row(tab: Worksheet, number: int, values: Sequence[Any], widths: Sequence[int]) -> None:
    """Make a row as high as its longest text is when folded; not every spreadsheet does that."""
    pairs = zip(values, widths, strict=True)
    lines = [-(-len(value) // (width - 2)) for value, width in pairs if isinstance(value, str)]
    if (most := max(lines, default=1)) > 1:
        tab.set_row(number, LINE_HEIGHT * most)


def _write_value(tab: Worksheet, at: tuple[int, int], value: Any, styles: _Styles) -> None:
    if value is None:
        tab.write_blank(*at, None, styles.text)
    elif isinstance(value, date):
        tab.write_datetime(*at, value, styles.day)
    elif isinstance(value, Percent):
        tab.write_number(*at, value, styles.percent)
    elif isinstance(value, int | float) and not isinstance(value, bool):
        tab.write_number(*at, value)
    else:
        tab.write_string(*at, terms.visible(str(value)), styles.text)


def _widths(sheet: Sheet) -> list[int]:
    columns = zip(sheet.heads, *sheet.rows, strict=True)
    longest = [max(len(str(value)) for value in column if value is not None) for column in columns]
    return [min(max(length + 2, 10), WIDEST_COLUMN) for length in longest]
