"""The demo's rows balance, and every planted fault meets the fate that ``truth.toml`` expects."""

from __future__ import annotations

import pandas as pd
import pytest
from demo import demo, truth

FAULTS = truth()["fault"]

#: What a network of this kind shows without being at fault: lost children, long series, relapse
#: without treatment, tenotomy judged by an older score where the newest was left out, and marks on
#: clinics as a whole.
NATURAL = {"R10", "R12a", "R17", "R22", "R25", "R26", "R27", "R30", "R32"}


def at(frame: pd.DataFrame, fault: dict[str, object]) -> pd.DataFrame:
    same = frame["file"].eq(fault["file"]) & frame["line"].eq(fault["line"])
    same &= frame["sheet"].fillna("").eq(fault["sheet"])
    if fault["piece"] and "piece" in frame:
        same &= frame["piece"].eq(fault["piece"])
    return frame.loc[same]


def test_rows_read_are_kept_merged_or_quarantined() -> None:
    balance = demo().records.ledger.balance()
    parts = balance[["n_kept", "n_merged", "n_quarantined"]].sum(axis=1)
    assert balance["n_read"].tolist() == parts.tolist()
    assert balance["n_read"].tolist() == [source.n_rows for source in demo().records.sources]


@pytest.mark.parametrize("fault", FAULTS, ids=[fault["id"] for fault in FAULTS])
def test_a_planted_fault_has_its_fate(fault: dict[str, object]) -> None:
    ledger = demo().records.ledger
    pieces = at(ledger.pieces, fault)
    fates = pieces if len(pieces) else at(ledger.rows, fault)
    assert fault["fate"] in set(fates["fate"])
    if fault["fate"] == "kept":
        assert fault["rule"] in set(at(ledger.flags, fault)["rule"])
    else:
        gone = fates.loc[fates["fate"] == fault["fate"]]
        assert fault["rule"] in set(gone["reason"])


def test_at_least_ten_rules_of_both_kinds_are_planted() -> None:
    kinds = {fate: {f["rule"] for f in FAULTS if f["fate"] == fate} for fate in ("kept", "merged")}
    hard = {f["rule"] for f in FAULTS if f["fate"] == "quarantined"}
    assert len(hard) >= 5
    assert len(kinds["kept"]) >= 5
    assert kinds["merged"] == {"duplicate"}


def test_nothing_is_quarantined_or_merged_that_was_not_planted() -> None:
    pieces = demo().records.ledger.pieces
    gone = pieces.loc[pieces["fate"] != "kept"]
    planted = {(f["file"], f["line"]) for f in FAULTS if f["fate"] != "kept"}
    assert {(row.file, row.line) for row in gone.itertuples()} == planted


def test_nothing_is_flagged_that_was_not_planted_or_natural() -> None:
    flags = demo().records.ledger.flags
    planted = {(f["file"], f["line"]) for f in FAULTS}
    # After a number that jumps, the next cast's number jumps back.
    planted |= {(f["file"], f["line"] + 1) for f in FAULTS if f["id"] == "cast_number_jumps"}
    odd = flags.loc[~flags["rule"].isin(NATURAL)]
    assert {(row.file, row.line) for row in odd.itertuples() if pd.notna(row.line)} <= planted
