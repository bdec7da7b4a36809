"""A settled part in its folder: canonical tables, books, feet; and rows laid aside for buckets."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.courses.build import Followed
from analytics.definitions.columns import KEYS
from analytics.intake.check_clinics import COUNTS
from analytics.intake.frames import with_columns, write_frame
from analytics.intake.gathered import Gathered
from analytics.intake.groups import read_groups, write_groups
from analytics.intake.kept import Kept
from analytics.intake.part import Dealt
from analytics.intake.settle import BOOKS, Settled
from analytics.intake.totals import SUMS

#: Rows laid aside, in the folder of a part.
_DEALT = "dealt.arrow"


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


def write_dealt(folder: Path, dealt: Dealt) -> None:
    """Write the rows that a part lays aside, a group for each bucket; ``seq`` within the bucket."""
    frames, ends = {"rows": dealt.rows.rows}, {"rows": dealt.ends}
    for name, frame in _frames_of(dealt.rows).items():
        seq = frame["seq"].to_numpy(dtype=np.int64)
        bucket = np.searchsorted(dealt.ends, seq, side="right") - 1
        frames[name] = with_columns(frame, seq=seq - dealt.ends[bucket])
        ends[name] = np.searchsorted(bucket, np.arange(len(dealt.ends)))
    write_groups(folder / _DEALT, frames, ends)


def _frames_of(gathered: Gathered) -> dict[str, pd.DataFrame]:
    """Return the frames whose ``seq`` are places of rows."""
    return {
        "visits": gathered.visits,
        **gathered.facts,
        "troubles": gathered.troubles,
        "tried": gathered.tried,
    }


def read_dealt(folders: Sequence[Path], bucket: int) -> Gathered:
    """Return the rows that parts laid aside for a bucket, in the order of all exports."""
    read = read_groups([folder / _DEALT for folder in folders], bucket)
    rows, n_rows = read.pop("rows")
    offsets = np.cumsum(n_rows) - n_rows
    frames = {
        name: with_columns(frame, seq=frame["seq"].to_numpy() + np.repeat(offsets, sizes))
        for name, (frame, sizes) in read.items()
    }
    others = {name: frames.pop(name) for name in ("visits", "troubles", "tried")}
    return Gathered(rows=rows, facts=frames, **others)
