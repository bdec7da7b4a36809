"""A settled part in its folder: canonical tables, books, feet; and rows laid aside for buckets."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from analytics.courses.build import Followed
from analytics.definitions.columns import KEYS
from analytics.intake.check_clinics import COUNTS
from analytics.intake.frames import read_group, write_frame, write_groups
from analytics.intake.gathered import Gathered
from analytics.intake.kept import Kept
from analytics.intake.settle import BOOKS, Settled
from analytics.intake.totals import SUMS

_FACTS = ("children", "feet", "departures")


def name_frames(settled: Settled, followed: Followed) -> dict[str, pd.DataFrame]:
    """Return the frames of a settled part by the names of ``intake.kept``."""
    return {
        **settled.tables,
        **{f"book_{name}": book for name, book in settled.books.items()},
        **{f"count_{name}": counts for name, counts in settled.counts.items()},
        **{f"sum_{name}": sums for name, sums in settled.sums.items()},
        "doubles": settled.doubles,
        "tried": settled.tried,
        "cohort": followed.feet,
        "uses": followed.uses,
    }


def write_kept(folder: Path, settled: Settled, followed: Followed) -> None:
    """Write a settled part, one Arrow file for each frame."""
    for name, frame in name_frames(settled, followed).items():
        write_frame(folder / f"{name}.arrow", frame)


def read_settled(part: Kept) -> Settled:
    """Return the records of a part in memory."""
    return Settled(
        tables={name: part.read(name) for name in KEYS},
        books={name: part.read(f"book_{name}") for name in BOOKS},
        doubles=part.read("doubles"),
        tried=part.read("tried"),
        counts={name: part.read(f"count_{name}") for name in COUNTS},
        sums={name: part.read(f"sum_{name}") for name in SUMS},
    )


def write_dealt(folder: Path, dealt: Sequence[Gathered]) -> None:
    """Write the rows that a part lays aside, one row group for each bucket."""
    write_groups(folder / "dealt_rows.arrow", [part.rows for part in dealt])
    write_groups(folder / "dealt_visits.arrow", [part.visits for part in dealt])
    write_groups(folder / "dealt_troubles.arrow", [part.troubles for part in dealt])
    write_groups(folder / "dealt_tried.arrow", [part.tried for part in dealt])
    for name in _FACTS:
        write_groups(folder / f"dealt_{name}.arrow", [part.facts[name] for part in dealt])


def read_dealt(folder: Path, bucket: int) -> Gathered:
    """Return the rows that a part laid aside for a bucket."""

    def read(name: str) -> pd.DataFrame:
        return read_group(folder / f"dealt_{name}.arrow", bucket)

    return Gathered(
        rows=read("rows"),
        visits=read("visits"),
        facts={name: read(name) for name in _FACTS},
        troubles=read("troubles"),
        tried=read("tried"),
    )
