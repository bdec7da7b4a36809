"""How long each stretch takes: those still waiting are not left out."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from drawn import cohort_of, drawn
from lifelines import KaplanMeierFitter

from analytics.analyses.waits import estimates
from analytics.definitions.foot_facts import FOOT
from analytics.definitions.waits import WAITS, Wait

TO_CORRECTION = Wait("wait_cast_to_correction", "started_on", "corrected_on")

#: Days to correction; a dot is a foot last seen after as many days without it.
FEET = """
    child days seen
    a     0    .
    b     10   .
    c     20   .
    d     .    20
    e     30   .
    f     40   .
    g     .    45
    h     50   .
    i     60   .
    j     70   .
    k     .    .
    """


def feet(text: str = FEET) -> pd.DataFrame:
    table = drawn(text)
    start = pd.Timestamp("2024-01-01")
    days, seen = (table[c].astype("Float64") for c in ("days", "seen"))
    stamp = [start + pd.to_timedelta(d.fillna(0).astype(float), unit="D") for d in (days, seen)]
    text_of = [s.dt.strftime("%Y-%m-%d").astype("string") for s in stamp]
    begun = days.notna() | seen.notna()
    return pd.DataFrame(
        {
            "child": table["child"],
            "started_on": pd.Series("2024-01-01", index=table.index, dtype="string").where(begun),
            "corrected_on": text_of[0].where(days.notna()),
            "last_seen_on": text_of[1].where(seen.notna(), "2025-06-01"),
        }
    ).astype("string")


def test_quartiles_of_a_curve_worked_by_hand() -> None:
    frame = estimates(cohort_of(feet()), [TO_CORRECTION]).frame.set_index("measure")
    # At risk 10, 9, 8 (then one unseen), 6, 5 (then one unseen), 3: 0.9, 0.8, 0.7, 0.583, 0.467.
    assert frame["estimate"].tolist() == [40, 20, 60]
    assert frame["denominator"].eq(10).all() and frame["outside"].eq(1).all()
    # Leaving out those who had not got there would give 30, the fourth of eight.
    done = feet().loc[lambda t: t["corrected_on"].notna()].assign(last_seen_on="2025-06-01")
    done = pd.concat([done, done.assign(child=lambda t: "x" + t["child"])], ignore_index=True)
    alone = estimates(cohort_of(done), [TO_CORRECTION]).frame
    assert alone["estimate"].tolist()[0] == 30


def test_the_curve_is_that_of_another_library() -> None:
    # lifelines, one foot per child, so that clusters make no difference to the estimate.
    rng = np.random.default_rng(5)
    time, event = rng.integers(1, 200, 80), rng.random(80) < 0.7
    lines = [f"c{i:02d} {t if e else '.'} {'.' if e else t}" for i, (t, e) in
             enumerate(zip(time, event, strict=True))]  # fmt: skip
    frame = estimates(
        cohort_of(feet("child days seen\n" + "\n".join(lines))), [TO_CORRECTION]
    ).frame
    other = KaplanMeierFitter().fit(time, event).survival_function_["KM_estimate"]
    for measure, share in (("median", 0.5), ("p25", 0.75), ("p75", 0.25)):
        found = frame.set_index("measure").loc[f"wait_cast_to_correction.{measure}", "estimate"]
        assert found == other.index[other <= share][0]


def test_who_waits_is_told_and_dates_out_of_order_are_unknown() -> None:
    table = feet()
    table.loc[0, "corrected_on"] = "2023-12-31"
    result = estimates(cohort_of(table), [TO_CORRECTION])
    row = result.frame.iloc[0]
    assert (row["unknown"], row["outside"], row["denominator"], row["n"]) == (1, 1, 9, 11)
    note = next(n for n in result.context.notes if n.key == "note.wait_open")
    assert (note.values["n_open"], note.values["n_counted"]) == (2, 9)


def test_a_quantile_not_reached_and_one_of_too_few_are_not_given() -> None:
    late = feet().assign(corrected_on=lambda t: t["corrected_on"].where(t.index < 3))
    frame = estimates(cohort_of(late), [TO_CORRECTION]).frame.set_index("measure")
    assert frame["estimate"].isna().tolist() == [True, False, True]
    few = estimates(cohort_of(feet().iloc[:9]), [TO_CORRECTION]).frame
    assert few["estimate"].isna().all() and few["denominator"].eq(9).all()


def test_groups_and_a_cohort_without_dates() -> None:
    two = pd.concat([feet().assign(clinic=c, child=lambda t, c=c: c + t["child"]) for c in "AB"])
    result = estimates(cohort_of(two.reset_index(drop=True)), [TO_CORRECTION], by=["clinic"])
    assert result.frame.groupby("clinic")["n"].unique().explode().tolist() == [11, 11]
    assert result.frame["estimate"].tolist() == [40, 20, 60] * 2
    empty = cohort_of(pd.DataFrame(columns=["child"], dtype="string"))
    assert estimates(empty).frame["estimate"].isna().all()


@pytest.mark.parametrize("wait", WAITS, ids=lambda wait: wait.code)
def test_every_wait_is_between_dates_of_the_foot(wait: Wait) -> None:
    dates = {column.name for column in FOOT if column.kind == "date"}
    assert {wait.origin, wait.event, wait.until} <= dates
