"""What the fuzzing of intake begins with, and how it is spoilt."""

from __future__ import annotations

import io
import zipfile
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import xlsxwriter

from analytics.errors import AnalyticsError
from analytics.intake.map_types import FileSettings
from analytics.intake.maps import read_map
from analytics.intake.read import ARCHIVE, READERS, read_sheet

#: Texts that parsers of dates, numbers, tables and markup are known to stumble over.
TEXTS = [
    "", ",", ";", '"', "\n", "\r", "\x00", "\ufeff", "é", "½", "+", "/", "-", "1e309", "nan", "NaT",
    "9999-12-31", "0000-00-00", "2024-02-30", "99999999999999999999", "{n}", "{side}", "[", "]",
    "=", "true", "1.5.5", "\u2028", "left", "B", "None", "'", "#", "0", "١٢", "31/12/1899", "-1",
    "1900-02-29", "2958466", "<", "&", "]]>", "&#0;", "r=\"XFD1048576\"", "t=\"e\"", "t=\"s\"",
    "number-columns-repeated=\"16384\"", "number-rows-repeated=\"1048576\"", "1E+400", "４", "\t",
]  # fmt: skip
PACKED = (".xlsx", ".xlsm", ".ods", ".zip")
#: Bytes that a trap unfolds to, where it is opened.
TRAP_BYTES = 3 * 2**30


@dataclass(frozen=True)
class Seed:
    """One export before it is spoilt: a case, its name as a file, its bytes, how it is read."""

    case: str
    name: str
    content: bytes
    source_map: bytes
    settings: FileSettings
    can_load: bool


@cache
def list_seeds(tests: Path) -> tuple[Seed, ...]:
    """Return every case of ``tests/exports`` as it stands and as other kinds of file, and traps."""
    seeds: list[Seed] = []
    for case in sorted((tests / "exports").iterdir()):
        exports = [p for p in case.iterdir() if p.stem == "export" and p.is_file()]
        if exports and (case / "map.toml").exists():
            seeds += _seeds_of(case, exports[0])
    made = {seed.name: seed for seed in seeds}
    return (*seeds, *(_trap(name, made["export.xlsx"]) for name in _TRAPS))


def _seeds_of(case: Path, export: Path) -> list[Seed]:
    source_map = (case / "map.toml").read_bytes()
    try:
        settings = read_map(case / "map.toml").file
    except AnalyticsError:
        settings = FileSettings()
    own = Seed(case.name, export.name, export.read_bytes(), source_map, settings, True)
    if export.suffix not in READERS or settings.header_line != 1:
        return [own]
    try:
        cells = read_sheet(export, settings).cells.astype(str)
    except AnalyticsError:
        return [own]
    kinds = {".xlsx": _workbook(cells), ".parquet": _parquet(cells)}
    kinds[ARCHIVE] = _zipped({export.name: own.content})
    return [
        own,
        *(
            Seed(case.name, f"export{suffix}", content, source_map, settings, False)
            for suffix, content in kinds.items()
        ),
    ]


def _workbook(cells: pd.DataFrame) -> bytes:
    held = io.BytesIO()
    with xlsxwriter.Workbook(held, {"in_memory": True}) as book:
        sheet = book.add_worksheet("Records")
        sheet.write_row(0, 0, list(cells))
        for number, row in enumerate(cells.itertuples(index=False), start=1):
            sheet.write_row(number, 0, list(row))
    return held.getvalue()


def _parquet(cells: pd.DataFrame) -> bytes:
    held = io.BytesIO()
    pq.write_table(pa.Table.from_pandas(cells, preserve_index=False), held)
    return held.getvalue()


def _zipped(members: dict[str, bytes]) -> bytes:
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return held.getvalue()


def _unfolding(size: int) -> bytes:
    """Return an archive whose one member is as long as asked, made without holding it."""
    held = io.BytesIO()
    with (
        zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as archive,
        archive.open("export.csv", "w", force_zip64=True) as member,
    ):
        for _ in range(size // 2**20):
            member.write(b"a,b,c\n1,2,3\n" * (2**20 // 12))
    return held.getvalue()


def _understated(size: int) -> bytes:
    """Return an archive whose list says that its member is short."""
    content = _unfolding(size)
    at = content.rfind(b"PK\x01\x02")
    return content[: at + 24] + (1000).to_bytes(4, "little") + content[at + 28 :]


_TRAPS = {
    "unfolds.zip": lambda: _unfolding(TRAP_BYTES),
    "understated.zip": lambda: _understated(300 * 2**20),
    "in_itself.zip": lambda: _zipped({"export.zip": _zipped({"export.csv": b"a,b\n1,2\n"})}),
    "climbs.zip": lambda: _zipped({"../../export.csv": b"a,b\n1,2\n"}),
    "unfolds.xlsx": lambda: _unfolding(TRAP_BYTES),
}


@cache
def _trap(name: str, like: Seed) -> Seed:
    settings, source_map = like.settings, like.source_map
    return Seed("trap", name, _TRAPS[name](), source_map, settings, False)


def spoil(seed: Seed, rng: np.random.Generator) -> bytes:
    """Return an export's bytes with something wrong; what is packed is spoilt inside as a rule."""
    suffix = Path(seed.name).suffix
    if seed.case == "trap":
        return seed.content if rng.random() < 0.5 else spoil_bytes(seed.content, rng)
    if suffix in PACKED and rng.random() < 0.85:
        return _spoil_inside(seed.content, rng)
    if suffix in (".csv", ".tsv", ".txt", ".ndjson") and rng.random() < 0.7:
        return spoil_text(seed.content, rng)
    return spoil_bytes(seed.content, rng)


def _spoil_inside(content: bytes, rng: np.random.Generator) -> bytes:
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    name = list(members)[int(rng.integers(len(members)))]
    sheets = [n for n in members if n.startswith("xl/worksheets/") or n == "content.xml"]
    if sheets and rng.random() < 0.6:
        name = sheets[0]
    if rng.random() < 0.05:
        del members[name]
    else:
        members[name] = spoil_text(members[name], rng)
    return _zipped(members)


def spoil_bytes(content: bytes, rng: np.random.Generator) -> bytes:
    """Return bytes with a few changed, cut out, repeated or replaced."""
    held = bytearray(content)
    for _ in range(int(rng.integers(1, 6))):
        at, size = int(rng.integers(0, len(held) + 1)), int(rng.integers(1, 20))
        kind = int(rng.integers(0, 4))
        if kind == 0:
            held[at : at + 1] = bytes([int(rng.integers(0, 256))])
        elif kind == 1:
            del held[at : at + size]
        elif kind == 2:
            held[at:at] = held[at : at + size]
        else:
            held[at : at + int(rng.integers(0, 3))] = _text(rng)
    return bytes(held)


def spoil_text(content: bytes, rng: np.random.Generator) -> bytes:
    """Return a text with tokens swapped for telling ones, lines moved, or single bytes changed."""
    if rng.random() < 0.3:
        return spoil_bytes(content, rng)
    lines = content.split(b"\n")
    for _ in range(int(rng.integers(1, 5))):
        number = int(rng.integers(0, len(lines)))
        kind = int(rng.integers(0, 5))
        if kind == 0:
            lines.insert(number, lines[int(rng.integers(0, len(lines)))])
        elif kind == 1 and len(lines) > 1:
            del lines[number]
        else:
            lines[number] = _spoil_token(lines[number], rng)
    return b"\n".join(lines)


def _spoil_token(line: bytes, rng: np.random.Generator) -> bytes:
    for mark in (b",", b";", b"\t", b'"', b"=", b">"):
        parts = line.split(mark)
        if len(parts) > 1 and rng.random() < 0.7:
            parts[int(rng.integers(0, len(parts)))] = _text(rng)
            return mark.join(parts)
    return line + _text(rng)


def _text(rng: np.random.Generator) -> bytes:
    return TEXTS[int(rng.integers(len(TEXTS)))].encode()
