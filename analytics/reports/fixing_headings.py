"""Which headings of its own export a clinic should look at for a fault."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from analytics.definitions.checks import CHECKS
from analytics.intake.headings import fill_heading
from analytics.intake.map_checks import mapped_headings
from analytics.intake.map_types import SourceMap
from analytics.intake.maps import read_map
from analytics.intake.records import Source
from analytics.reports.settings import Settings

_NAMED = re.compile(r"(\w+)=")


@dataclass(frozen=True)
class Headings:
    """The maps of the exports, by the file that each one read.

    Parameters
    ----------
    maps
        File, as the ledger calls it, to its map.
    language
        Language of the words around.
    """

    maps: Mapping[str, SourceMap]
    language: str

    @classmethod
    def of(cls, sources: Sequence[Source], settings: Settings) -> Headings:
        """Return the maps that read these exports."""
        by_hash = {m.sha256: m for m in map(read_map, {s.source_map for s in settings.sources})}
        maps = {s.file: by_hash[s.map_sha256] for s in sources if s.map_sha256 in by_hash}
        return cls(maps, settings.language)

    def to_look_at(self, file: object, rule: str, side: object, found: object) -> str:
        """Return the headings that a fault speaks of, joined by semicolons.

        A column that stands under several headings, as in repeated groups, has none here: the
        line alone does not tell which.

        Parameters
        ----------
        file, side
            Where the fault is; missing where nobody knows.
        rule, found
            What was found.
        """
        source_map = self.maps.get(str(file))
        if source_map is None:
            return ""
        names = [*_NAMED.findall(str(found)), *CHECKS[rule].columns]
        told = (self._heading(source_map, name, str(side)) for name in dict.fromkeys(names))
        return "; ".join(dict.fromkeys(heading for heading in told if heading))

    def _heading(self, source_map: SourceMap, name: str, side: str) -> str:
        found = [heading for _, own, heading in mapped_headings(source_map) if own == name]
        known = {heading for heading in found if "{n}" not in heading}
        if len(known) != 1 or len(found) != len(known):
            return ""
        heading = known.pop()
        return (
            ""
            if "{side}" in heading and side not in source_map.sides
            else fill_heading(heading, source_map, side=side)
        )
