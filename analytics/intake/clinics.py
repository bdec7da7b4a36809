"""The programme's own list of clinics, a small CSV beside the settings."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.definitions.columns import CLINICS
from analytics.errors import ExportFileError
from analytics.intake.dates import read_dates
from analytics.intake.map_types import DateSettings, FileSettings, SourceMap
from analytics.intake.read import read_sheet
from analytics.intake.suggest import suggest


def read_clinics(path: Path) -> pd.DataFrame:
    """Return the clinics of a CSV whose headings are the canonical column names.

    Parameters
    ----------
    path
        CSV in UTF-8; days as YYYY-MM-DD.

    Raises
    ------
    ExportFileError
        When a heading is unknown, a clinic has no code or occurs twice, a former code is another
        clinic's, or a value is no day or whole number.
    """
    sheet = read_sheet(path, FileSettings())
    known = {column.name: column for column in CLINICS}
    unknown = [name for name in sheet.cells.columns if name not in known]
    if unknown or "clinic" not in sheet.cells:
        raise ExportFileError(
            f"the list of clinics has the headings {', '.join(sheet.cells.columns)}",
            where=path.name,
            allowed=", ".join(known),
            todo=(suggest(unknown[0], known) if unknown else "") or "correct the headings",
        )
    texts = sheet.cells.astype("string").apply(lambda column: column.str.strip())
    texts = texts.mask(texts == "")
    doubled = texts["clinic"].isna() | texts["clinic"].duplicated()
    if doubled.any():
        row = int(np.flatnonzero(doubled)[0])
        raise ExportFileError(
            "a clinic has no code, or the code of another",
            where=sheet.where(row),
            todo="give each clinic a code of its own",
        )
    clinics = pd.DataFrame(
        {
            name: _values(texts[name], column.kind, path.name)
            if name in texts
            else pd.array([pd.NA] * len(texts), dtype=column.dtype)
            for name, column in known.items()
        }
    )
    _refuse_shared_codes(clinics, path.name)
    return clinics


def find_former_codes(clinics: pd.DataFrame) -> list[tuple[str, str]]:
    """Return each former code with the code of today, in order."""
    pairs = clinics[["clinic", "formerly"]].dropna()
    return [
        (former.strip(), str(code))
        for code, texts in pairs.itertuples(index=False, name=None)
        for former in str(texts).split(";")
        if former.strip()
    ]


def follow_renamed(source_map: SourceMap, clinics: pd.DataFrame | None) -> SourceMap:
    """Return a map that reads a clinic's former codes as its code of today.

    A clinic that changed its name keeps one history, and children counted under the old one stay
    the same children.

    Parameters
    ----------
    source_map
        As written, whether it lists clinics or takes their texts as they are.
    clinics
        The programme's clinics; without them nothing changes.
    """
    former = dict(find_former_codes(clinics)) if clinics is not None else {}
    if clinics is None or not former:
        return source_map
    given = [n for n in ("clinic", "visits.clinic", "children.clinic") if n in source_map.codes]
    listed: dict[str, tuple[str, ...]] = {str(code): () for code in clinics["clinic"]}
    renamed = {
        name: _rename(source_map.codes.get(name, listed), former) for name in given or ["clinic"]
    }
    return replace(source_map, codes=source_map.codes | renamed)


def _rename(
    table: dict[str, tuple[str, ...]], former: dict[str, str]
) -> dict[str, tuple[str, ...]]:
    renamed: dict[str, tuple[str, ...]] = {}
    said = [*table.items(), *((old, (old,)) for old in former)]
    for code, texts in said:
        today = former.get(code, code)
        also = (code,) if today != code else ()
        renamed[today] = (*renamed.get(today, ()), *texts, *also)
    return renamed


def _refuse_shared_codes(clinics: pd.DataFrame, file: str) -> None:
    former = [old for old, _ in find_former_codes(clinics)]
    taken = {*clinics["clinic"]}
    shared = [old for i, old in enumerate(former) if old in taken or old in former[:i]]
    if shared:
        raise ExportFileError(
            f"the former code '{shared[0]}' is the code of another clinic as well",
            where=f"{file}, column 'formerly'",
            allowed="codes that no other clinic has or had, with semicolons between them",
            todo="give each former code to one clinic",
        )


def _values(texts: pd.Series, kind: str, file: str) -> pd.api.extensions.ExtensionArray:
    if kind == "text":
        return texts.array
    if kind == "date":
        plain = texts.fillna("").to_numpy(dtype=object)
        days = read_dates(plain, ("YYYY-MM-DD",), DateSettings()).days
        bad = texts.notna().to_numpy() & np.isnat(days)
        values = pd.array(days.astype("datetime64[s]"))
    else:
        numbers = pd.to_numeric(texts, errors="coerce")
        bad = texts.notna().to_numpy() & (numbers.isna() | (numbers % 1 != 0)).to_numpy(dtype=bool)
        values = numbers.where(~bad).astype("Int64").array
    if bad.any():
        raise ExportFileError(
            f"'{texts[bad].iloc[0]}' is no day"
            if kind == "date"
            else f"'{texts[bad].iloc[0]}' is no whole number",
            where=f"{file}, column '{texts.name}'",
            allowed="YYYY-MM-DD" if kind == "date" else "a whole number without marks",
            todo="correct the list of clinics",
        )
    return values
