"""A sheet beside its map: texts by canonical column, and what is refused at the door."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.definitions.codes import SIDES
from analytics.definitions.columns import EXTRA_PREFIX
from analytics.intake.headings import fill_heading
from analytics.intake.identity import scan_for_identifiers
from analytics.intake.map_checks import mapped_headings
from analytics.intake.map_types import SourceMap
from analytics.intake.stacked import Stacked
from analytics.intake.texts import fold_codes, repeat_text
from analytics.intake.translate import (
    Translated,
    find_unmapped,
    is_coded,
    translate,
    unmapped_error,
)

#: ``table.column`` and heading to the texts that are not known: ``text, n, row, is_code``.
Unknown = dict[tuple[str, str], pd.DataFrame]


@dataclass(frozen=True)
class MappedSheet:
    """A sheet beside its map."""

    sheet: Stacked
    source_map: SourceMap

    @property
    def n(self) -> int:
        """Return the number of rows."""
        return len(self.sheet.line)

    def texts(self, table: str, name: str, side: str = "") -> pd.Categorical | None:
        """Return the texts of a canonical column; nothing where the map has none."""
        heading = self.source_map.columns.get(table, {}).get(name)
        if heading is not None:
            return self.sheet.cells[fill_heading(heading, self.source_map, side=side)].array
        constant = self.source_map.constants.get(table, {}).get(name)
        if constant is None:
            return None
        return repeat_text(constant, self.n)

    def headings(self) -> dict[str, list[str]]:
        """Return ``table.column`` to the headings that it stands under."""
        numbers = {h: g.numbers for g in self.source_map.groups for h in g.columns.values()}
        found: dict[str, list[str]] = {}
        for table, name, heading in mapped_headings(self.source_map):
            found.setdefault(f"{table}.{name}", []).extend(
                dict.fromkeys(
                    fill_heading(heading, self.source_map, n=n, side=side)
                    for n in numbers.get(heading, range(1))
                    for side in SIDES
                )
            )
        return found

    def kept_texts(self, clinics: frozenset[str]) -> dict[str, bool]:
        """Return headings whose texts are kept as they are, to whether the heading tells too."""
        is_open = not clinics and "clinic" not in self.source_map.codes
        return {
            heading: name.partition(".")[2].startswith(EXTRA_PREFIX)
            for name, headings in self.headings().items()
            for heading in headings
            if EXTRA_PREFIX in name or (is_open and name.endswith(".clinic"))
        }

    def refuse_identifiers(self, clinics: frozenset[str]) -> None:
        """Raise where a column that is kept as text looks like direct identifiers."""
        scan_for_identifiers(self.sheet.cells, self.kept_texts(clinics), where=self.where)

    def find_unknown(self, clinics: frozenset[str]) -> Unknown:
        """Return codes that the map does not know, and clinics that the programme has not."""
        if self.source_map.unmapped_codes != "stop":
            return {}
        return {
            (name, heading): self._find_unknown_under(heading, name, clinics)
            for name, headings in self.headings().items()
            if is_coded(name)
            for heading in headings
        }

    def _find_unknown_under(self, heading: str, name: str, clinics: frozenset[str]) -> pd.DataFrame:
        chosen = self.sheet.records
        cells = self.sheet.cells[heading].array
        cells = cells if len(chosen) == self.n else cells.take(chosen)
        read = translate(cells, self.source_map, name)
        found = [(text, n, row, False) for text, n, row in find_unmapped(cells, read)]
        if name.endswith(".clinic") and clinics:
            found += [(text, 0, row, True) for text, row in _find_strange(read, clinics)]
        return _told_unknown([(text, n, chosen[row], told) for text, n, row, told in found])

    def refuse_unmapped(self, clinics: frozenset[str]) -> None:
        """Raise at codes that the map does not know, and at clinics that the programme has not."""
        refuse_unknown(self.find_unknown(clinics), self.source_map, self.sheet.where)

    @property
    def where(self) -> str:
        """Return the file, the sheet and the map in words."""
        return f"{self.sheet.where()}, map '{self.source_map.name}'"


def _find_strange(read: Translated, clinics: frozenset[str]) -> list[tuple[str, int]]:
    """Return codes of no clinic of the programme, with the first row of each, in their order."""
    named = read.values
    assert isinstance(named, pd.Categorical)
    is_strange = [code not in clinics for code in named.categories]
    if not any(is_strange):
        return []
    at = np.flatnonzero(np.array([*is_strange, False], dtype=bool)[named.codes])
    own, first = np.unique(named.codes[at], return_index=True)
    found = sorted(zip(at[first], own, strict=True))
    return [(str(named.categories[code]), int(row)) for row, code in found]


def _told_unknown(found: list[tuple[str, int, int, bool]]) -> pd.DataFrame:
    texts, n, row, is_code = zip(*found, strict=True) if found else ((), (), (), ())
    return pd.DataFrame(
        {
            "text": np.array(texts, dtype=object),
            "n": np.array(n, dtype=np.int64),
            "row": np.array(row, dtype=np.int64),
            "is_code": np.array(is_code, dtype=bool),
        }
    )


def refuse_unknown(unknown: Unknown, source_map: SourceMap, where: Callable[[int], str]) -> None:
    """Raise at the first heading with texts that the map does not know.

    Parameters
    ----------
    unknown
        What ``MappedSheet.find_unknown`` returns.
    source_map
        The map.
    where
        Gives file and line of a row in words.

    Raises
    ------
    SourceMapError
        With the texts, those of the most rows first.
    """
    for (name, heading), found in unknown.items():
        if len(found):
            told = found[~found["is_code"]] if not found["is_code"].all() else found
            told = told.sort_values(["n", "row"], ascending=[False, True])
            place = f"{where(int(told['row'].iloc[0]))}, column '{heading}'"
            raise unmapped_error([*told["text"]], source_map, name, where=place)


def texts_of(reader: MappedSheet, heading: str) -> pd.Categorical:
    """Return the texts under a heading as they stand; missing where they mean missing."""
    cells = reader.sheet.cells[heading].array
    return fold_codes(cells.codes, known_texts(cells.categories, reader.source_map))


def known_texts(texts: Iterable[object], source_map: SourceMap) -> np.ndarray:
    """Return texts without white space around them; None where they mean missing."""
    missing = {"", *(text.strip().casefold() for text in source_map.missing)}
    plain = [str(text).strip() for text in texts]
    return np.array([None if t.casefold() in missing else t for t in plain], dtype=object)
