"""What must hold of any export: every row has one fate, order changes nothing, nobody is named."""

from __future__ import annotations

import tempfile
from dataclasses import fields
from pathlib import Path

import pandas as pd
from hypothesis import given, settings
from hypothesis import strategies as st
from intake_tables import KEY, load_rows, two_children

from analytics.intake.records import Records
from analytics.reports.fixing import list_faults

#: Texts that a clerk could leave in any cell.
CELLS = st.sampled_from(
    ["", "7", "-1", "31/02/2024", "2024-02-30", "2031-01-01", "left", "both", "x", "Ama Owusu",
     "cast", "yes", "4,5", "0700 555 0123", "2024-03-01", "99999", "\u00bd", "a@b.org"]
)  # fmt: skip
#: Columns with codes stop the run at an unknown text, so they are spoilt with known ones alone.
SPOILT = ("number", "visited_on", "birth_on", "pirani_total", "brace_hours", "dorsiflexion_deg",
          "left_on", "cast_number")  # fmt: skip
CHANGES = st.lists(
    st.tuples(st.integers(0, 47), st.sampled_from(SPOILT), CELLS), min_size=0, max_size=12
)
REPEATS = st.lists(st.integers(0, 47), max_size=6)
FEW = settings(max_examples=25, deadline=None)


def spoilt(changes: list[tuple[int, str, str]], repeats: list[int]) -> list[dict[str, str]]:
    rows = two_children()
    for row, name, text in changes:
        rows[row][name] = text
    return rows + [dict(rows[row]) for row in repeats]


def load_here(rows: list[dict[str, str]], cut: int = 0) -> Records:
    with tempfile.TemporaryDirectory() as folder:
        return load_rows(Path(folder), rows, cut=cut)


def frames_of(records: Records) -> dict[str, pd.DataFrame]:
    tables = {f.name: getattr(records, f.name) for f in fields(records)}
    books = {f.name: getattr(records.ledger, f.name) for f in fields(records.ledger)}
    frames = {name: frame for name, frame in {**tables, **books}.items()
              if isinstance(frame, pd.DataFrame)}  # fmt: skip
    return frames | {"to_fix": list_faults(records.ledger.flags)}


@FEW
@given(CHANGES, REPEATS)
def test_every_row_read_is_kept_merged_or_quarantined(changes, repeats):
    rows = spoilt(changes, repeats)
    records = load_here(rows)
    balance = records.ledger.balance().iloc[0]
    n_filled = sum(any(text.strip() for text in row.values()) for row in rows)
    assert balance["n_read"] == n_filled
    fates = records.ledger.rows
    assert len(fates) == n_filled
    assert fates["reason"].notna().eq(fates["fate"] != "kept").all()
    assert fates["merged_into"].notna().eq(fates["fate"] == "merged").all()
    assert len(records.visits) == (records.ledger.pieces["fate"] == "kept").sum() - int(
        records.ledger.pieces.query("table == 'children' and fate == 'kept'").shape[0]
    )


@FEW
@given(st.permutations(range(48)), REPEATS)
def test_the_order_of_rows_changes_no_record(order, repeats):
    rows = two_children() + [dict(two_children()[row]) for row in repeats]
    first = load_here(rows)
    other = load_here([rows[row] for row in [*order, *range(48, len(rows))]])
    for name in ("children", "feet", "departures"):
        pd.testing.assert_frame_equal(getattr(first, name), getattr(other, name))
    content = [name for name in first.visits if name != "line"]
    pd.testing.assert_frame_equal(first.visits[content], other.visits[content])


@FEW
@given(CHANGES, REPEATS, st.integers(1, 47))
def test_a_file_cut_in_two_changes_no_record(changes, repeats, cut):
    rows = spoilt(changes, repeats)
    first, other = load_here(rows), load_here(rows, cut)
    for name in ("children", "feet", "departures"):
        pd.testing.assert_frame_equal(getattr(first, name), getattr(other, name))
    content = [name for name in first.visits if name not in ("file", "line")]
    pd.testing.assert_frame_equal(first.visits[content], other.visits[content])
    for fate in ("kept", "merged", "quarantined"):
        counted = [(part.ledger.rows["fate"] == fate).sum() for part in (first, other)]
        assert counted[0] == counted[1], fate


@FEW
@given(CHANGES)
def test_no_direct_identifier_and_no_key_in_any_frame(changes):
    for name, frame in frames_of(load_here(spoilt(changes, []))).items():
        text = frame.to_csv()
        for secret in ("Owusu", "Lindqvist", "0700 555", KEY, "a@b.org"):
            assert secret not in text, f"{secret} in {name}"
