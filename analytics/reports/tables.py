"""The workbook of all tables: from the data of the blocks that the pages show."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import partial
from typing import Any

from analytics.definitions.labels import label
from analytics.display import terms
from analytics.reports.settings import Settings
from analytics.reports.workbook import LONGEST_NAME, Percent, Sheet, build_workbook

#: Ends of the interval, which a page writes beside the figure and a workbook in two columns.
LIMITS = ("lower", "upper")

Block = Mapping[str, Any]


def build_tables(blocks: Sequence[Block], settings: Settings) -> bytes:
    """Return the workbook of every table of a report, each once.

    Parameters
    ----------
    blocks
        As the pages show them, in order.
    settings
        For the cut-off and the language.
    """
    language = settings.language
    sheets = []
    for block in _each_once(blocks):
        sheets.append(build_sheet(block, language))
        if len(block["frame"]) != len(block["table"]["rows"]):
            sheets.append(build_steps(block, language))
    return build_workbook(
        sheets,
        about=label(language, "workbook.about_tables"),
        cut_off=settings.cut_off,
        language=language,
    )


def build_sheet(block: Block, language: str) -> Sheet:
    """Return the table of a block, with the ends of intervals where each row has its own."""
    table = block["table"]
    heads = [column["words"] for column in table["columns"]]
    rows = [[_value(cell) for cell in row] for row in table["rows"]]
    records = block["frame"]
    if len(records) == len(rows) and _has_limits(block):
        heads += [terms.column(name, language) for name in LIMITS]
        rows = [
            row + _limits(record, hidden, row, language)
            for row, (record, hidden) in zip(rows, _as_shown(block), strict=True)
        ]
    return Sheet(
        name=block["name"],
        title=table["caption"],
        about=_about(block, language),
        heads=tuple(heads),
        rows=tuple(map(tuple, rows)),
    )


def _has_limits(block: Block) -> bool:
    """Return whether any row has an interval, or had one that was withheld; counts have none."""
    return any(
        record.get(name) is not None or hidden.get(name)
        for record, hidden in zip(block["frame"], block["hidden"], strict=True)
        for name in LIMITS
    )


def build_steps(block: Block, language: str) -> Sheet:
    """Return every step of a curve as numbers; the table shows it at fixed times alone."""
    say = partial(label, language)
    records = block["frame"]
    names = list(records[0]) if records else []
    rows = [[_in_words(name, record[name], language) for name in names] for record in records]
    return Sheet(
        name=_fitting(block["name"], say("workbook.steps")),
        title=terms.beside(block["table"]["caption"], say("workbook.steps"), language),
        about=_about(block, language),
        heads=tuple(terms.column(name, language) for name in names),
        rows=tuple(map(tuple, rows)),
    )


def _fitting(name: str, end: str) -> str:
    """Return the name of a tab that keeps its end."""
    return f"{name[: LONGEST_NAME - len(end) - 1]} {end}"


def _each_once(blocks: Sequence[Block]) -> Iterator[Block]:
    shown: list[tuple[str, Any]] = []
    for block in blocks:
        # A table that was withheld whole has no rows.
        if block["table"]["rows"] and (block["name"], block["table"]) not in shown:
            shown.append((block["name"], block["table"]))
            yield block


def _as_shown(block: Block) -> list[tuple[Block, Mapping[str, bool]]]:
    """Return records with what is hidden, in the order of the table: measure by measure."""
    pairs = list(zip(block["frame"], block["hidden"], strict=True))
    place: dict[Any, int] = {}
    for record, _ in pairs:
        place.setdefault(record.get("measure"), len(place))
    return sorted(pairs, key=lambda pair: place[pair[0].get("measure")])


def _value(cell: Mapping[str, Any]) -> Any:
    """Return the number of a cell, or its words where it has none or was withheld."""
    value = cell["value"]
    if isinstance(value, int | float) and not cell["is_header"]:
        return Percent(value) if "%" in cell["text"] else value
    return cell["text"] or None


def _limits(
    record: Block, hidden: Mapping[str, bool], row: Sequence[Any], language: str
) -> list[Any]:
    """Return the ends of an interval, written like the figure of their row, or as withheld."""
    is_percent = any(isinstance(other, Percent) for other in row)
    ends: list[Any] = []
    for name in LIMITS:
        value = record[name]
        ends.append(Percent(value) if is_percent and value is not None else value)
        if hidden[name]:
            ends[-1] = label(language, "word.withheld")
    return ends


def _in_words(name: str, value: Any, language: str) -> Any:
    if name == "state":
        return label(language, f"state.{value}")
    if name in ("estimate", *LIMITS) and value is not None:
        return Percent(value)
    return value if isinstance(value, int | float) else terms.level(name, value, language)


def _about(block: Block, language: str) -> tuple[tuple[str, str], ...]:
    say = partial(label, language)
    context = block["context"]
    units = block["table"]["units"]
    facts = [
        *([(say("workbook.unit"), units)] if units else []),
        (say("workbook.population"), context["population"]),
        (say("workbook.method"), " ".join(filter(None, (context["method"], context["reference"])))),
        *((say("workbook.note"), note) for note in block["notes"]),
    ]
    return tuple(facts)
