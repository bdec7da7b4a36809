"""Records that pass every hard rule, from the fates in the ledger."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
from drawn import cohort_of, drawn

from analytics.analyses.records import estimates
from analytics.courses.cohort import Cohort
from analytics.intake.ledger import FLAG_COLUMNS, PIECE_COLUMNS, ROW_COLUMNS
from analytics.intake.totals import sum_books

PIECES = """
    file  line fate        reason
    x.csv 2    kept        .
    x.csv 3    kept        .
    x.csv 4    merged      duplicate
    x.csv 5    quarantined R02
    x.csv 6    quarantined total_row
    x.csv 7    quarantined unreadable
    """


def cohort() -> Cohort:
    plain = cohort_of("child\na")
    pieces = with_lines(drawn(PIECES).reindex(columns=list(PIECE_COLUMNS)))
    flags = drawn("file line clinic severity rule\nx.csv 5 A hard R02")
    flags = with_lines(flags.reindex(columns=list(FLAG_COLUMNS)))
    visits = with_lines(drawn("file line clinic\nx.csv 2 A\nx.csv 3 B").assign(sheet=""))
    rows = pieces[list(ROW_COLUMNS)]
    sums = sum_books({"rows": rows, "pieces": pieces, "flags": flags}, visits)
    return replace(plain, totals=replace(plain.totals, **sums))


def with_lines(frame: pd.DataFrame) -> pd.DataFrame:
    return frame.assign(line=frame["line"].astype("Int64"))


def test_kept_of_kept_and_quarantined() -> None:
    row = estimates(cohort()).frame.iloc[0]
    counts = ["n", "denominator", "numerator", "outside"]
    assert row[counts].tolist() == [6, 4, 2, 2]
    assert row["estimate"] == 0.5


def test_by_clinic_where_the_clinic_is_known() -> None:
    frame = estimates(cohort(), by=["clinic"]).frame[["clinic", "numerator", "denominator"]]
    wanted = drawn("clinic numerator denominator\nA 1 2\nB 1 1")
    pd.testing.assert_frame_equal(frame.astype("string"), wanted, check_dtype=False)
