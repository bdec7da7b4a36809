"""From a parsed TOML tree to a source map; the file format is told in ``intake.maps``."""

from __future__ import annotations

from typing import Any

from analytics.errors import SourceMapError
from analytics.intake.map_checks import check_map
from analytics.intake.map_types import (
    AgeSettings,
    ChildKey,
    DateSettings,
    FileSettings,
    Group,
    SourceMap,
)
from analytics.intake.suggest import listed, suggest

#: A date of the standard may leave out the day, or the month too (HL7 FHIR R4, date).
FHIR_DATES = {"children.birth_on": ["YYYY-MM-DD", "YYYY-MM", "YYYY"]}

#: Section to key to kind: text, texts (a list), number, flag, table (of texts), free.
_SECTIONS: dict[str, dict[str, str]] = {
    "": {
        "name": "text", "shape": "text", "missing": "texts", "drop": "texts", "ignore": "texts",
        "unmapped_codes": "text", "listed_feet_are_affected": "flag", "doubtful": "texts",
        "file": "free", "child": "free", "columns": "free", "constants": "free", "groups": "free",
        "sides": "table", "dates": "free", "numbers": "free", "ages": "free", "codes": "free",
        "missing_in": "free",
    },
    "file": {
        "encoding": "text", "delimiter": "text", "sheet": "text", "member": "text",
        "header_line": "number", "header_lines": "number", "number_doubled": "flag",
        "total_rows": "texts",
    },
    "child": {"id": "texts", "scope": "text", "link": "texts"},
    "columns": {"children": "table", "feet": "table", "visits": "table", "departures": "table"},
    "constants": {"children": "table", "feet": "table", "visits": "table", "departures": "table"},
    "groups": {
        "name": "text", "first": "number", "last": "number", "columns": "table",
        "constants": "table", "resource": "text",
    },
    "dates": {
        "formats": "texts", "columns": "free", "placeholders": "texts",
        "two_digit_years_from": "number", "serials": "number",
    },
    "numbers": {"decimal": "text"},
    "ages": {"at": "text", "unit": "text"},
}  # fmt: skip


def parse_map(tree: dict[str, Any], *, where: str, sha256: str = "") -> SourceMap:
    """Return the source map of a parsed TOML tree.

    Parameters
    ----------
    tree
        What the file holds.
    where
        Name of the file, for messages.
    sha256
        Hash of the file's bytes.

    Raises
    ------
    SourceMapError
        When a key or value is not allowed.
    """
    top = _section(tree, "", where=where)
    for key in ("name", "shape", "child"):
        if key not in top:
            raise SourceMapError(
                f"the map has no '{key}'", where=where, todo=f"add '{key}' to the map"
            )
    dates = _section(top.pop("dates", {}), "dates", where=where)
    if top["shape"] == "fhir":
        dates["columns"] = FHIR_DATES | dates.get("columns", {})
    dates["columns"] = _lists(dates.get("columns", {}), where=f"{where}, [dates.columns]")
    numbers = _section(top.pop("numbers", {}), "numbers", where=where)
    columns = _section(top.pop("columns", {}), "columns", where=where)
    constants = _section(top.pop("constants", {}), "constants", where=where)
    child = _section(top.pop("child"), "child", where=where)
    if not child.get("id"):
        raise SourceMapError(
            "the map names no heading that identifies a child",
            where=f"{where}, [child]",
            todo='add id = ["heading"]',
        )
    source_map = SourceMap(
        child=ChildKey(**child),
        file=FileSettings(**_section(top.pop("file", {}), "file", where=where)),
        columns=columns,
        constants=constants,
        groups=_groups(top.pop("groups", []), columns, constants, where=where),
        dates=DateSettings(**dates),
        ages=AgeSettings(**_section(top.pop("ages", {}), "ages", where=where)),
        decimal=numbers.get("decimal", "."),
        codes={
            name: _lists(table, where=f"{where}, [codes.{name}]")
            for name, table in top.pop("codes", {}).items()
        },
        missing_in=_lists(top.pop("missing_in", {}), where=f"{where}, [missing_in]"),
        sha256=sha256,
        **top,
    )
    check_map(source_map, where=where)
    return source_map


def _groups(
    tables: Any, columns: dict[str, Any], constants: dict[str, Any], *, where: str
) -> tuple[Group, ...]:
    if not isinstance(tables, list):
        raise _wrong("groups", tables, "a list of [[groups]]", where)
    groups = []
    for number, table in enumerate(tables, start=1):
        place = f"{where}, [[groups]] number {number}"
        values = _section(table, "groups", where=place)
        if "name" not in values or not values.get("columns"):
            raise SourceMapError(
                "a group has no name or no columns",
                where=place,
                todo="add name = ... and [groups.columns]",
            )
        resource = values.pop("resource", "")
        values["columns"] = {
            name: resource + heading if heading.startswith(".") else heading
            for name, heading in values["columns"].items()
        }
        groups.append(Group(**values))
    if columns.get("visits"):
        groups.insert(0, Group("", columns["visits"], constants.get("visits", {})))
    return tuple(groups)


def _section(table: Any, name: str, *, where: str) -> dict[str, Any]:
    """Return the values of a section, lists as tuples, each key and kind allowed."""
    place = f"{where}, [{name}]" if name and name != "groups" else where
    if not isinstance(table, dict):
        raise _wrong(name, table, "a table", where)
    kinds = _SECTIONS[name]
    for key, value in table.items():
        if key not in kinds:
            raise SourceMapError(
                f"the map has an unknown key '{key}'",
                where=place,
                allowed=", ".join(kinds),
                todo=suggest(key, kinds) or "correct the key or take it out",
            )
        if not _is_kind(value, kinds[key]):
            raise _wrong(key, value, _KIND_WORDS[kinds[key]], place)
    return {key: tuple(value) if kinds[key] == "texts" else value for key, value in table.items()}


_KIND_WORDS = {
    "text": "a text in quotes",
    "texts": "a list of texts",
    "number": "a whole number",
    "flag": "true or false",
    "table": "a table of texts",
    "free": "a table",
}


def _is_kind(value: Any, kind: str) -> bool:
    if kind == "texts":
        return isinstance(value, list) and all(isinstance(item, str) for item in value)
    if kind == "table":
        return isinstance(value, dict) and all(isinstance(v, str) for v in value.values())
    if kind == "number":
        return isinstance(value, int) and not isinstance(value, bool)
    simple: dict[str, type | tuple[type, ...]] = {"text": str, "flag": bool, "free": (dict, list)}
    return isinstance(value, simple[kind])


def _lists(table: Any, *, where: str) -> dict[str, tuple[str, ...]]:
    """Return a table of lists of texts; a single text counts as a list of one."""
    if not isinstance(table, dict):
        raise _wrong("this", table, "a table of lists of texts", where)
    lists = {key: [value] if isinstance(value, str) else value for key, value in table.items()}
    for key, value in lists.items():
        if not _is_kind(value, "texts"):
            raise _wrong(key, value, _KIND_WORDS["texts"], where)
    return {key: tuple(value) for key, value in lists.items()}


def _wrong(key: str, value: Any, allowed: str, where: str) -> SourceMapError:
    return SourceMapError(
        f"the map's '{key}' is {listed([repr(value)[:80]])}",
        where=where,
        allowed=allowed,
        todo="correct the value",
    )
