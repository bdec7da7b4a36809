"""What a source map must satisfy by itself, before any export is opened."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator

from analytics.definitions.codes import VOCABULARIES
from analytics.definitions.columns import EXTRA_PREFIX, TABLES
from analytics.errors import SourceMapError
from analytics.intake.ages import UNITS
from analytics.intake.fhir_paths import parse_path
from analytics.intake.map_types import SCOPES, SHAPES, UNMAPPED, Group, SourceMap
from analytics.intake.suggest import suggest

DATE_TOKENS = ("YYYY", "YY", "MON", "MM", "DD", "HH", "mm", "ss")

#: Codes that a map may name besides those of the vocabulary.
_MORE_CODES = {"side": ("both", "missing"), "flag": ("yes", "no", "missing")}


def check_map(source_map: SourceMap, *, where: str) -> None:
    """Raise ``SourceMapError`` at the first thing in a map that is not allowed."""
    _check_choices(source_map, where)
    for table, name, _ in mapped_headings(source_map):
        _check_column(table, name, where)
    for table, name in _constant_names(source_map):
        _check_column(table, name, where)
    for group in source_map.groups:
        _check_group(group, source_map, where)
    _check_headings(source_map, where)
    if source_map.shape == "fhir":
        _check_paths(source_map, where)
    for name, texts in source_map.codes.items():
        _check_codes(name, texts, f"{where}, [codes.{name}]")
    for formats in (source_map.dates.formats, *source_map.dates.columns.values()):
        _check_formats(formats, f"{where}, [dates]")
    for name in (*source_map.dates.columns, *source_map.missing_in):
        _check_column(*_split(name, where), where)


def _check_choices(source_map: SourceMap, where: str) -> None:
    _check_choice("shape", source_map.shape, SHAPES, where)
    _check_choice("scope", source_map.child.scope, SCOPES, f"{where}, [child]")
    _check_choice("unmapped_codes", source_map.unmapped_codes, UNMAPPED, where)
    _check_choice("decimal", source_map.decimal, (".", ","), f"{where}, [numbers]")
    file = source_map.file
    if len(file.delimiter) != 1:
        _check_choice("delimiter", file.delimiter, ("one character",), f"{where}, [file]")
    if file.header_line < 1:
        _check_choice("header_line", str(file.header_line), ("1 or more",), f"{where}, [file]")
    if file.header_lines not in (1, 2, 3):
        _check_choice("header_lines", str(file.header_lines), ("1", "2", "3"), f"{where}, [file]")
    _check_ages(source_map, where)
    if source_map.dates.serials not in (0, 1900, 1904):
        serials = str(source_map.dates.serials)
        _check_choice("serials", serials, ("0", "1900", "1904"), f"{where}, [dates]")


def _check_ages(source_map: SourceMap, where: str) -> None:
    place = f"{where}, [ages]"
    _check_choice("unit", source_map.ages.unit, ("", *UNITS), place)
    of_visit = ("visits.visited_on",) if source_map.shape == "long" else ()
    _check_choice("at", source_map.ages.at, ("children.enrolled_on", *of_visit), place)
    if "age" in source_map.columns.get("children", {}):
        table, _, name = source_map.ages.at.partition(".")
        if name not in source_map.columns.get(table, {}):
            _check_choice("at", source_map.ages.at, ("a column that the map has",), place)


def mapped_headings(source_map: SourceMap) -> Iterator[tuple[str, str, str]]:
    """Yield table, canonical column and heading (with ``{n}``, ``{side}``) of a map's columns."""
    for table, names in source_map.columns.items():
        if table != "visits":
            yield from ((table, name, heading) for name, heading in names.items())
    for group in source_map.groups:
        yield from (("visits", name, heading) for name, heading in group.columns.items())


def _constant_names(source_map: SourceMap) -> Iterator[tuple[str, str]]:
    for table, names in source_map.constants.items():
        yield from ((table, name) for name in names)
    for group in source_map.groups:
        yield from (("visits", name) for name in group.constants)


def _check_choice(key: str, value: str, allowed: tuple[str, ...], where: str) -> None:
    if value not in allowed:
        raise SourceMapError(
            f"the map's '{key}' is '{value}'",
            where=where,
            allowed=", ".join(allowed),
            todo=suggest(value, allowed) or "choose one of these",
        )


def _split(name: str, where: str) -> tuple[str, str]:
    table, _, column = name.partition(".")
    _check_choice("table of a column", table, tuple(TABLES), where)
    return table, column


def _check_column(table: str, name: str, where: str) -> None:
    known = [column.name for column in TABLES[table] if column.name != "child"]
    known += ["age"] if table == "children" else []
    if name not in known and not name.startswith(EXTRA_PREFIX):
        raise SourceMapError(
            f"the table '{table}' has no column '{name}'",
            where=where,
            allowed=f"{', '.join(known)}, or a name that begins with {EXTRA_PREFIX}",
            todo=suggest(name, known) or "correct the name (the child belongs under [child])",
        )


def _check_group(group: Group, source_map: SourceMap, where: str) -> None:
    place = f"{where}, group '{group.name}'" if group.name else f"{where}, [columns.visits]"
    given = {*group.columns, *group.constants}
    clinic_of_child = "clinic" in {
        *source_map.columns.get("children", {}), *source_map.constants.get("children", {})
    }  # fmt: skip
    sided = any("{side}" in heading for heading in group.columns.values())
    side_of_child = "side" in source_map.columns.get("feet", {})
    missing = [name for name in ("visited_on", "purpose") if name not in given]
    missing += [] if "clinic" in given or clinic_of_child else ["clinic"]
    missing += [] if "side" in given or sided or side_of_child else ["side"]
    if missing:
        raise SourceMapError(
            f"the map does not say where {', '.join(missing)} of a visit stands",
            where=place,
            allowed="a heading, or a constant that holds for every row",
            todo="add it to the columns or the constants",
        )
    numbered = any("{n}" in heading for heading in group.columns.values())
    if numbered != (group.last > 0) or group.last < group.first:
        raise SourceMapError(
            f"{{n}} runs from {group.first} to {group.last}",
            where=place,
            allowed="first and last where a heading holds {n}, and only there",
            todo="give first and last, or take {n} out",
        )


def _check_headings(source_map: SourceMap, where: str) -> None:
    headings = [heading for _, _, heading in mapped_headings(source_map)]
    if any("{side}" in heading for heading in headings):
        absent = [side for side in VOCABULARIES["side"] if not source_map.sides.get(side)]
        if absent:
            raise SourceMapError(
                f"a heading holds {{side}}, but the map does not say what stands for {absent[0]}",
                where=f"{where}, [sides]",
                todo='add [sides] with left = "..." and right = "..."',
            )
    closed = Counter(
        [*source_map.drop, *source_map.ignore, *source_map.child.id, *source_map.child.link]
    )
    doubled = [h for h, n in closed.items() if n > 1] + [h for h in headings if h in closed]
    if doubled:
        raise SourceMapError(
            f"the heading '{doubled[0]}' is named for two uses",
            where=where,
            allowed="one of: a column, the child's id, drop, ignore",
            todo="take one of the two out; an identifier is never carried along",
        )


def _check_paths(source_map: SourceMap, where: str) -> None:
    """Raise where a heading is no path into a FHIR resource, or would keep an identifier."""
    for heading in (*source_map.child.id, *source_map.child.link):
        if parse_path(heading).kind != "Patient":
            _check_choice("path of a child", heading, ("Patient....",), f"{where}, [child]")
    for table, name, heading in mapped_headings(source_map):
        path = parse_path(heading.replace("{side}", source_map.sides.get("left", "")))
        if path.is_identifying:
            raise SourceMapError(
                f"the path '{heading}' leads to what names or describes a person",
                where=f"{where}, {table}.{name}",
                allowed="such a path under [child] alone, where it is keyed",
                todo="take it out of the columns",
            )
        if (path.kind == "Patient") == (table == "visits"):
            raise SourceMapError(
                f"the path '{heading}' stands under {table}",
                where=f"{where}, {table}.{name}",
                allowed="paths of Patient under children, feet and departures; others in a group",
                todo="move it",
            )


def _check_codes(name: str, table: dict[str, tuple[str, ...]], where: str) -> None:
    if name == "clinic":
        allowed: tuple[str, ...] = ()
    elif name in VOCABULARIES or name == "flag":
        allowed = (*VOCABULARIES.get(name, ()), *_MORE_CODES.get(name, ("missing",)))
    elif "." in name:
        owner, column = _split(name, where)
        _check_column(owner, column, where)
        kind = {c.name: c for c in TABLES[owner]}.get(column)
        codes = kind.allowed if kind is not None else ()
        allowed = (*codes, "missing") if codes else ("yes", "no", "missing")
        allowed = (*allowed, "both") if column == "side" else allowed
    else:
        _check_choice("codes", name, (*VOCABULARIES, "flag", "clinic", "table.column"), where)
    for code in table if allowed else ():
        _check_choice("code", code, allowed, where)
    texts = Counter(text.strip().casefold() for listed in table.values() for text in listed)
    for text, count in texts.items():
        if count > 1:
            raise SourceMapError(
                f"the text '{text}' stands for two codes",
                where=where,
                todo="keep it in one of them",
            )


def _check_formats(formats: tuple[str, ...], where: str) -> None:
    for text in formats:
        rest = re.sub("|".join(DATE_TOKENS), "", text)
        if not re.search("YYYY|YY", text) or re.search("[A-Za-su-z]", rest):
            _check_choice("date format", text, (*DATE_TOKENS, "with a year"), where)
    layouts = {re.sub("DD|MM", "##", text): text for text in reversed(formats)}
    for text in formats:
        other = layouts[re.sub("DD|MM", "##", text)]
        if other != text:
            raise SourceMapError(
                f"the formats '{other}' and '{text}' fit the same dates in two ways",
                where=where,
                allowed="day first or month first, not both",
                todo="keep the one that the export uses",
            )
