"""A sheet beside its map: texts by canonical column, and what is refused at the door."""

from __future__ import annotations

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
from analytics.intake.translate import find_unmapped, translate, unmapped_error


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
        return pd.Categorical.from_codes(np.zeros(self.n, dtype=np.int8), [constant])

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

    def refuse_identifiers(self, clinics: frozenset[str]) -> None:
        """Raise where a column that is kept as text looks like direct identifiers."""
        is_open = not clinics and "clinic" not in self.source_map.codes
        texts = {
            heading: name.partition(".")[2].startswith(EXTRA_PREFIX)
            for name, headings in self.headings().items()
            for heading in headings
            if EXTRA_PREFIX in name or (is_open and name.endswith(".clinic"))
        }
        scan_for_identifiers(self.sheet.cells, texts, where=self.where)

    def refuse_unmapped(self, clinics: frozenset[str]) -> None:
        """Raise at codes that the map does not know, and at clinics that the programme has not."""
        if self.source_map.unmapped_codes != "stop":
            return
        for name, headings in self.headings().items():
            for heading in headings:
                self._refuse_unmapped_heading(name, heading, clinics)

    def _refuse_unmapped_heading(self, name: str, heading: str, clinics: frozenset[str]) -> None:
        cells = self.sheet.cells[heading][pd.isna(self.sheet.aside)]
        unknown = find_unmapped(cells.array, self.source_map, name)
        if not unknown and name.endswith(".clinic") and clinics:
            codes = pd.Series(translate(cells.array, self.source_map, name).values)
            strange = codes[codes.notna() & ~codes.isin(clinics)].unique()
            unknown = [*map(str, strange)]
        if unknown:
            row = int(cells.index[cells.astype(str).str.strip() == unknown[0].strip()][0])
            where = f"{self.sheet.where(row)}, column '{heading}'"
            raise unmapped_error(unknown, self.source_map, name, where=where)

    @property
    def where(self) -> str:
        """Return the file, the sheet and the map in words."""
        return f"{self.sheet.where()}, map '{self.source_map.name}'"


def plain_texts(reader: MappedSheet, heading: str) -> pd.Series:
    """Return the texts under a heading as they stand; missing where they mean missing."""
    cells = reader.sheet.cells[heading].array
    missing = {"", *(text.strip().casefold() for text in reader.source_map.missing)}
    texts = [str(text).strip() for text in cells.categories]
    held = np.array([*(None if t.casefold() in missing else t for t in texts), None], dtype=object)
    return pd.Series(pd.array(held[cells.codes], dtype="string"))
