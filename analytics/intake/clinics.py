"""The programme's own list of clinics, a small CSV beside the settings."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from analytics.definitions.columns import CLINICS
from analytics.errors import ExportFileError
from analytics.intake.dates import read_dates
from analytics.intake.map_types import DateSettings, FileSettings
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
        When a heading is unknown, a clinic has no code or occurs twice, or a value is no day or
        whole number.
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
    return pd.DataFrame(
        {
            name: _values(texts[name], column.kind, path.name)
            if name in texts
            else pd.array([pd.NA] * len(texts), dtype=column.dtype)
            for name, column in known.items()
        }
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
            f"'{texts[bad].iloc[0]}' is no {'day' if kind == 'date' else 'whole number'}",
            where=f"{file}, column '{texts.name}'",
            allowed="YYYY-MM-DD" if kind == "date" else "a whole number without marks",
            todo="correct the list of clinics",
        )
    return values
