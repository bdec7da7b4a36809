"""A source map beside an export: every heading must be known to both."""

from __future__ import annotations

import re
from collections.abc import Iterator

from analytics.definitions.codes import SIDES
from analytics.errors import SourceMapError
from analytics.intake.map_checks import mapped_headings
from analytics.intake.map_types import SourceMap
from analytics.intake.read import Sheet
from analytics.intake.read_headings import clean_heading
from analytics.intake.suggest import listed, suggest


def fill_heading(heading: str, source_map: SourceMap, *, n: int = 0, side: str = "") -> str:
    """Return a heading of the map as it stands in the export.

    Parameters
    ----------
    heading
        Heading that may hold ``{n}`` and ``{side}``.
    n, side
        What they stand for.
    """
    filled = heading.replace("{n}", str(n)).replace("{side}", source_map.sides.get(side, ""))
    return clean_heading(filled)


def check_headings(source_map: SourceMap, sheet: Sheet) -> None:
    """Raise where a heading is missing from the export, or unknown to the map.

    Raises
    ------
    SourceMapError
        With the close names of each.
    """
    present = list(sheet.headings)
    wanted = dict.fromkeys(_wanted(source_map))
    absent = [name for name in wanted if name not in present]
    if absent:
        raise SourceMapError(
            f"the export has no heading {listed([repr(name) for name in absent])}",
            where=f"{sheet.where()}, map '{source_map.name}'",
            allowed=listed(present, most=40),
            todo=suggest(absent[0], present) or "correct the heading in the source map",
        )
    closed = [*source_map.drop, *source_map.ignore, *source_map.child.link]
    patterns = [re.compile(re.escape(clean_heading(h)).replace(r"\*", ".*")) for h in closed]
    unknown = [
        name
        for name in present
        if name not in wanted and not any(pattern.fullmatch(name) for pattern in patterns)
    ]
    if unknown:
        raise SourceMapError(
            f"the map does not mention the heading {listed([repr(name) for name in unknown])}",
            where=f"{sheet.where()}, map '{source_map.name}'",
            allowed="every heading is a column, the child's id, or named under drop or ignore",
            todo=suggest(unknown[0], [*wanted, *closed])
            or "add it to the columns, to drop (identifiers) or to ignore",
        )


def read_headings(source_map: SourceMap) -> list[str]:
    """Return the headings that a map reads: those of the id, of columns, of links."""
    return [*dict.fromkeys([*_wanted(source_map), *source_map.child.link])]


def _wanted(source_map: SourceMap) -> Iterator[str]:
    yield from map(clean_heading, source_map.child.id)
    numbers = {
        heading: group.numbers for group in source_map.groups for heading in group.columns.values()
    }
    for _, _, heading in mapped_headings(source_map):
        for n in numbers.get(heading, range(1)):
            for side in SIDES:
                yield fill_heading(heading, source_map, n=n, side=side)
