"""Numbers of a report that do not agree with each other are found, each kind by breaking one."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest
from drawn import cohort_of, drawn

from analytics.analyses import bounds, coverage, flow, indicators, time_to
from analytics.analyses.consistency import check_cohort, check_result, check_together
from analytics.courses.cohort import Cohort
from analytics.definitions.indicators import INDICATORS
from analytics.errors import BalanceError
from analytics.reports.agreement import check_blocks, refuse_faults
from analytics.results import Result


@pytest.fixture(scope="module")
def cohort() -> Cohort:
    line = drawn(
        "child side clinic started_on is_corrected corrected_on last_seen_on "
        "n_casts prior_treatment n_cast_visits n_cast_visits_scored\n"
        "x left A 2024-02-01 yes 2024-04-01 2025-12-01 6 none 7 5"
    )
    feet = pd.concat([line.assign(child=f"c{i:02d}") for i in range(30)], ignore_index=True)
    feet = pd.concat([feet, feet.iloc[:5].assign(side="right")], ignore_index=True)
    feet.loc[20:, "clinic"] = "B"
    feet.loc[::7, "is_corrected"] = "no"
    feet.loc[::9, "relapse_on"] = "2024-09-01"
    return cohort_of(feet)


def estimated(cohort: Cohort, *by: str) -> Result:
    return indicators.estimates(cohort, list(INDICATORS.values()), by=by)


def test_what_the_program_makes_agrees(cohort: Cohort) -> None:
    made = [
        estimated(cohort),
        estimated(cohort, "clinic"),
        bounds.bounds(cohort, list(INDICATORS.values()), by=["clinic"]),
        coverage.estimates(cohort),
        flow.feet_flow(cohort),
        time_to.curve(cohort, by=["clinic"]),
    ]
    assert [fault for result in made for fault in check_result(result)] == []
    assert check_cohort(cohort) == []


def broken(result: Result, column: str, value: object, *, row: int = 0) -> Result:
    frame = result.frame.copy()
    frame.loc[frame.index[row], column] = value
    return replace(result, frame=frame)


@pytest.mark.parametrize(
    ("column", "value", "code"),
    [
        ("unknown", 3, "adds_up"),
        ("n", 36, "adds_up"),
        ("numerator", 29, "divides"),
        ("estimate", 0.5, "divides"),
        ("numerator", 99, "is_part"),
        ("lower", 0.99, "limits"),
        ("upper", 0.01, "limits"),
    ],
)
def test_an_estimate_that_does_not_agree(
    column: str, value: object, code: str, cohort: Cohort
) -> None:
    result = indicators.estimates(cohort, [INDICATORS["initial_correction"]])
    assert code in {fault.code for fault in check_result(broken(result, column, value))}


def test_flows_curves_and_sizes_that_do_not_agree(cohort: Cohort) -> None:
    steps = broken(flow.feet_flow(cohort), "n_out", 1)
    assert [fault.code for fault in check_result(steps)] == ["flow"]
    curve = time_to.curve(cohort)
    assert check_result(broken(curve, "events", 999, row=1))[0].code == "curve"
    assert "within" in {f.code for f in check_result(broken(curve, "estimate", 1.2))}
    sizes = replace(curve, context=replace(curve.context, n_feet=99))
    assert [fault.code for fault in check_result(sizes)] == ["two_feet"]


def test_feet_are_left_and_right_and_two_of_a_bilateral_child(cohort: Cohort) -> None:
    twice = replace(cohort, feet=pd.concat([cohort.feet, cohort.feet.iloc[:1]]))
    assert [fault.code for fault in check_cohort(twice)] == ["bilateral"]
    both = cohort.feet.assign(side=cohort.feet["side"].mask(cohort.feet.index == 0, "both"))
    assert "sides" in {fault.code for fault in check_cohort(replace(cohort, feet=both))}


def as_table(result: Result) -> tuple[str, list[str], pd.DataFrame]:
    return result.name, list(result.groups), result.frame


def test_clinics_add_up_to_the_network_and_quarters_never_exceed_it(cohort: Cohort) -> None:
    whole, part = estimated(cohort), estimated(cohort, "clinic")
    assert check_together([as_table(whole), as_table(part)]) == []
    less = part.frame.copy()
    at = less.index[less["measure"].eq("initial_correction")][0]
    less.loc[at, "denominator"] -= 1
    (fault,) = check_together([as_table(whole), (part.name, ["clinic"], less)])
    assert (fault.code, fault.where) == ("parts", "indicators_by_clinic, initial_correction")
    quarters = less.rename(columns={"clinic": "quarter"})
    assert check_together([as_table(whole), ("q", ["quarter"], quarters)]) == []
    more = quarters.assign(denominator=quarters["denominator"] + 9)
    assert check_together([as_table(whole), ("q", ["quarter"], more)])
    hidden = less.assign(denominator=less["denominator"].mask(less.index == at))
    assert check_together([as_table(whole), (part.name, ["clinic"], hidden)]) == []


def test_rounded_parts_may_miss_the_whole_by_what_rounding_does(cohort: Cohort) -> None:
    whole, part = estimated(cohort), estimated(cohort, "clinic")
    for more, is_fault in ((7, False), (-9, False), (8, True)):
        # Two clinics and the whole, each up to 5 from what it was: 15 in all.
        parts = part.frame.assign(denominator=part.frame["denominator"] + more)
        tables = [as_table(whole), (part.name, ["clinic"], parts)]
        assert bool(check_together(tables, rounded_to=10)) is is_fault
        assert check_together(tables)


def test_a_contradiction_is_not_published(cohort: Cohort) -> None:
    frame = estimated(cohort).frame
    records = frame.astype(object).where(frame.notna(), None).to_dict("records")
    parts = [{"clinic": "A", **record, "denominator": 0} for record in records]
    base = {"shape": "estimates", "name": "x", "policy": {"rounded_to": 1}}
    blocks = [base | {"groups": [], "frame": records}]
    assert check_blocks(blocks) == []
    blocks.append(base | {"groups": ["clinic"], "frame": parts})
    with pytest.raises(BalanceError, match="do not agree"):
        refuse_faults(check_blocks(blocks), "en")


def test_a_quarter_beside_all_time_is_not_added_to_it(cohort: Cohort) -> None:
    whole = estimated(cohort)
    twice = pd.concat([whole.frame.assign(quarter_due=span) for span in ("2026Q3", "all")])
    assert check_together([as_table(whole), ("due", ["quarter_due"], twice)]) == []
    assert check_together([as_table(whole), ("due", ["quarter"], twice)])
