"""A settled part in its folder: canonical tables, books, feet; and rows laid aside for buckets."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.courses.cohort import Cohort
from analytics.definitions.codes import PURPOSES
from analytics.definitions.columns import KEYS
from analytics.intake.check_clinics import COUNTS
from analytics.intake.frames import read_frame, read_group, write_frame, write_groups
from analytics.intake.gathered import Gathered
from analytics.intake.settle import BOOKS, Settled

#: What following a foot adds to its visits.
FOLLOWED = ("series", "cast_order", "is_after_tenotomy", "use_told")

_FACTS = ("children", "feet", "departures")


@dataclass(frozen=True)
class Kept:
    """A settled part as it was kept.

    Parameters
    ----------
    settled
        Records of its children.
    feet
        One row for each foot of the cohort.
    followed
        ``FOLLOWED`` for each row of the visits; missing after the cut-off.
    """

    settled: Settled
    feet: pd.DataFrame
    followed: pd.DataFrame


def write_kept(folder: Path, settled: Settled, cohort: Cohort) -> None:
    """Write a settled part, one Parquet file for each frame."""
    frames = {
        **settled.tables,
        **{f"book_{name}": book for name, book in settled.books.items()},
        **{f"count_{name}": counts for name, counts in settled.counts.items()},
        "doubles": settled.doubles,
        "tried": settled.tried,
        "cohort": cohort.feet,
        "followed": _follow_visits(settled.tables["visits"], cohort),
    }
    for name, frame in frames.items():
        write_frame(folder / f"{name}.parquet", frame)


def read_kept(folder: Path) -> Kept:
    """Return a settled part."""

    def read(name: str) -> pd.DataFrame:
        return read_frame(folder / f"{name}.parquet")

    return Kept(
        Settled(
            tables={name: read(name) for name in KEYS},
            books={name: read(f"book_{name}") for name in BOOKS},
            doubles=read("doubles"),
            tried=read("tried"),
            counts={name: read(f"count_{name}") for name in COUNTS},
        ),
        feet=read("cohort"),
        followed=read("followed"),
    )


def _follow_visits(visits: pd.DataFrame, cohort: Cohort) -> pd.DataFrame:
    order = order_visits(visits, cohort)
    place = np.full(len(visits), -1)
    place[order] = np.arange(len(order))
    followed = cohort.visits[list(FOLLOWED)]
    return pd.DataFrame(
        {name: followed[name].array.take(place, allow_fill=True) for name in FOLLOWED}
    )


def order_visits(visits: pd.DataFrame, cohort: Cohort) -> np.ndarray:
    """Return the places of the cohort's visits among all canonical ones, in the cohort's order."""
    day = visits["visited_on"].to_numpy("datetime64[D]").astype(np.int64)
    child, side = (pd.factorize(visits[name], sort=True)[0] for name in ("child", "side"))
    purpose = pd.Categorical(visits["purpose"], categories=PURPOSES).codes
    order = np.lexsort((purpose, day, side, child))
    return order[day[order] <= np.datetime64(cohort.cut_off, "D").astype(np.int64)]


def write_dealt(folder: Path, dealt: Sequence[Gathered]) -> None:
    """Write the rows that a part lays aside, one row group for each bucket."""
    write_groups(folder / "dealt_rows.parquet", [part.rows for part in dealt])
    write_groups(folder / "dealt_visits.parquet", [part.visits for part in dealt])
    write_groups(folder / "dealt_troubles.parquet", [part.troubles for part in dealt])
    write_groups(folder / "dealt_tried.parquet", [part.tried for part in dealt])
    for name in _FACTS:
        write_groups(folder / f"dealt_{name}.parquet", [part.facts[name] for part in dealt])


def read_dealt(folder: Path, bucket: int) -> Gathered:
    """Return the rows that a part laid aside for a bucket."""

    def read(name: str) -> pd.DataFrame:
        return read_group(folder / f"dealt_{name}.parquet", bucket)

    return Gathered(
        rows=read("rows"),
        visits=read("visits"),
        facts={name: read(name) for name in _FACTS},
        troubles=read("troubles"),
        tried=read("tried"),
    )
