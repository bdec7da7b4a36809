"""What a policy does to each shape."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from shown import context, curve_result, estimates_frame

from analytics.definitions.policies import INTERNAL, PUBLIC
from analytics.display.words import findings
from analytics.results import COMPARISON, CURVE, EFFECTS, ESTIMATES, FLOW, Phrase, Result
from analytics.sharing.clinics import OTHER_CLINICS, letters
from analytics.sharing.protect import protect


def estimates(rows: list[dict[str, object]], *groups: str, **changes: object) -> Result:
    beside = changes.pop("beside", {})
    return Result(ESTIMATES, estimates_frame(rows), context(**changes), groups, beside)  # type: ignore[arg-type]


def clinic_rows(sizes: dict[str, int]) -> list[dict[str, object]]:
    return [
        {"clinic": name, "n": n, "denominator": n, "numerator": n // 2} for name, n in sizes.items()
    ]


def test_the_internal_policy_withholds_nothing() -> None:
    result = estimates([{"n": 9, "denominator": 8, "numerator": 1, "outside": 1}])
    released = protect(result, INTERNAL)
    assert not released.hidden.to_numpy().any()
    assert released.frame["numerator"].tolist() == [1]
    assert released.context == result.context


def test_every_curve_ends_before_fewer_children_than_the_policy_says() -> None:
    # 24 feet of at least 12 children: one foot leaves a day, so 10 children are sure until 19
    # feet are left (a child has at most two).
    result = curve_result({"": [(float(t), t % 2 == 0) for t in range(1, 25)]})
    shown = protect(result, INTERNAL).frame
    assert shown["at_risk"].min() == 19
    assert shown["time"].max() == 6.0


def test_children_beside_the_curve_say_where_it_ends() -> None:
    plain = curve_result({"": [(float(t), False) for t in range(1, 25)]})
    children = pd.DataFrame({"time": np.arange(0.0, 25.0), "children": 24 - np.arange(25)})
    result = Result(CURVE, plain.frame, plain.context, (), {"children_at_risk": children})
    # 24 - t children just before day t: 10 of them until day 14.
    assert protect(result, INTERNAL).frame["time"].max() == 14.0


def test_children_beside_a_split_curve_count_within_their_group() -> None:
    rows = [(float(t), False) for t in range(1, 25)]
    plain = curve_result({"mild": rows, "severe": rows})
    children = pd.DataFrame(
        {"severity_band": ["mild", "mild", "severe"], "time": [3.0, 24.0, 24.0],
         "children": [12, 9, 12]}
    )  # fmt: skip
    result = Result(
        CURVE, plain.frame, plain.context, ("severity_band",), {"children_at_risk": children}
    )
    ends = protect(result, INTERNAL).frame.groupby("severity_band")["time"].max()
    assert ends.to_dict() == {"mild": 3.0, "severe": 24.0}


def test_public_curves_have_no_step_with_a_small_count() -> None:
    generator = np.random.default_rng(5)
    ends = {
        band: [(float(t), bool(e)) for t, e in zip(
            generator.integers(1, 1500, n), generator.random(n) < 0.4, strict=True)]
        for band, n in (("mild", 200), ("moderate", 300), ("severe", 400))
    }  # fmt: skip
    shown = protect(curve_result(ends), PUBLIC).frame
    assert len(shown) > 9
    for column in ("events", "censored"):
        assert not shown[column].between(1, PUBLIC.smallest_count - 1).any()
    times = shown.groupby("severity_band")["time"].apply(tuple)
    assert times.nunique() == 1
    months = shown["time"] / 30.4375
    assert np.allclose(months, months.round())


def test_a_public_step_keeps_what_the_curve_was_there() -> None:
    rows = [(float(t), t % 2 == 0) for t in range(1, 400)]
    plain = curve_result({"": rows})
    shown = protect(plain, PUBLIC).frame
    fine = plain.frame.set_index("time")
    for step in shown.itertuples():
        before = fine.loc[: step.time]
        assert step.estimate == pytest.approx(before["estimate"].iloc[-1])
    assert shown["events"].sum() == fine.loc[: shown["time"].max(), "events"].sum()
    still = shown["at_risk"] - shown["events"] - shown["censored"]
    assert still.iloc[:-1].tolist() == shown["at_risk"].iloc[1:].tolist()


def test_a_group_too_small_for_a_public_curve_takes_the_next_smallest_along() -> None:
    rows = [(float(t), t % 3 == 0) for t in range(1, 300)]
    ends = {"mild": rows[:60], "moderate": rows, "severe": rows, "unknown": rows[:8]}
    shown = protect(curve_result(ends), PUBLIC).frame
    assert set(shown["severity_band"]) == {"moderate", "severe"}


def test_why_feet_were_left_out_of_a_flow_is_withheld_where_few() -> None:
    lines = [("corrected", 100, 80, "lost", 10), ("corrected", 100, 80, "died", 2),
             ("corrected", 100, 80, "still_in_care", 8)]  # fmt: skip
    frame = pd.DataFrame(lines, columns=list(FLOW.columns))
    released = protect(Result(FLOW, frame, context("feet")), PUBLIC)
    assert released.frame["n_reason"].isna().tolist() == [False, True, True]
    assert released.frame["n_in"].tolist() == [100] * 3
    assert released.notes[-1] == Phrase("protect.withheld", {"largest": 4})


def test_a_step_that_few_leave_is_one_with_its_neighbour() -> None:
    lines = [("started", 100, 97, "no_cast_recorded", 3), ("corrected", 97, 80, "lost", 10),
             ("corrected", 97, 80, "still_in_care", 7), ("braced", 80, 60, "lost", 20),
             ("later", 60, 59, "lost", 1)]  # fmt: skip
    frame = pd.DataFrame(lines, columns=list(FLOW.columns))
    released = protect(Result(FLOW, frame, context("feet")), PUBLIC)
    shown = released.frame
    assert shown["step"].tolist() == ["corrected"] * 3 + ["later"]
    assert shown["n_in"].tolist() == [100, 100, 100, 80]
    assert shown["n_out"].tolist() == [80, 80, 80, 59]
    assert shown["n_reason"].fillna(-1).tolist() == [-1, 10, -1, 21]
    assert Phrase("protect.steps") in released.notes


def test_what_only_tells_of_part_of_a_step_gives_nothing_away() -> None:
    # Corrected is 97 by what reached bracing, and told of again beside it.
    lines = [("started", 120, 100, "lost", 20), ("corrected", 100, 97, "lost", 3),
             ("tenotomy", 97, 60, "no_tenotomy", 37), ("braced", 97, 80, "lost", 17)]  # fmt: skip
    frame = pd.DataFrame(lines, columns=list(FLOW.columns))
    shown = protect(Result(FLOW, frame, context("feet")), PUBLIC).frame
    assert shown["step"].tolist() == ["started", "braced"]
    assert not (shown[["n_in", "n_out"]] == 97).any().any()
    part = [("corrected", 120, 97, "lost", 23), ("tenotomy", 97, 95, "no_tenotomy", 2),
            ("braced", 97, 80, "lost", 17)]  # fmt: skip
    frame = pd.DataFrame(part, columns=list(FLOW.columns))
    shown = protect(Result(FLOW, frame, context("feet")), PUBLIC).frame
    assert shown["step"].tolist() == ["corrected", "braced"]


def test_a_public_flow_by_file_is_shown_for_all_files_together() -> None:
    lines = [("a.csv", "rows_kept", 50, 40, "lost", 10), ("b.csv", "rows_kept", 20, 20, "none", 0)]
    frame = pd.DataFrame(lines, columns=["file", *FLOW.columns])
    released = protect(Result(FLOW, frame, context("rows", unit="row"), ("file",)), PUBLIC)
    assert released.groups == ()
    assert released.frame["n_in"].tolist() == [70, 70]
    assert released.frame["n_out"].tolist() == [60, 60]


def test_figures_fall_with_the_counts_they_rest_on() -> None:
    rows = [{"quarter": f"2024Q{i}", "n": 50, "denominator": 50, "numerator": k}
            for i, k in ((1, 3), (2, 20), (3, 30))]  # fmt: skip
    released = protect(estimates(rows, "quarter"), PUBLIC)
    gone = released.frame["numerator"].isna()
    assert gone.tolist() == [True, True, False]
    for column in ("estimate", "lower", "upper"):
        assert released.frame[column].isna().equals(gone)
        assert released.hidden[column].equals(gone)


def test_two_ones_do_not_stand_for_each_other() -> None:
    # Were only the two withheld, their sum of 2 would say that each is 1: a zero would show.
    rows = [{"quarter": f"2024Q{i}", "n": 50, "denominator": 50, "numerator": k}
            for i, k in ((1, 1), (2, 1), (3, 20), (4, 30))]  # fmt: skip
    released = protect(estimates(rows, "quarter"), PUBLIC)
    assert released.frame["numerator"].isna().tolist() == [True, True, True, False]


def test_a_share_missed_by_few_is_withheld_as_well() -> None:
    rows = [{"n": 50, "denominator": 50, "numerator": 48}]
    released = protect(estimates(rows, n_feet=50), PUBLIC)
    assert released.frame["numerator"].isna().all()
    assert released.frame["denominator"].tolist() == [50]


def test_small_clinics_are_shown_as_one_under_no_name() -> None:
    rows = clinic_rows({"Asmara": 60, "Birao": 90, "Cinta": 12, "Dori": 16, "Edu": 40})
    released = protect(estimates(rows, "clinic"), PUBLIC)
    assert released.frame["clinic"].tolist() == ["A", "B", "C", OTHER_CLINICS]
    assert released.frame["n"].tolist() == [90, 60, 40, 28]
    assert pd.isna(released.frame["estimate"].iloc[3])
    assert not released.hidden["estimate"].iloc[3]
    assert Phrase("protect.merged", {"n_clinics_merged": 2, "smallest": 10}) in released.notes


def test_a_small_clinic_alone_is_joined_by_the_next() -> None:
    rows = clinic_rows({"Asmara": 60, "Birao": 90, "Cinta": 12, "Edu": 40})
    shown = protect(estimates(rows, "clinic"), PUBLIC).frame
    assert shown["n"].tolist() == [90, 60, 52]


def test_children_by_clinic_say_which_are_small() -> None:
    rows = clinic_rows({"Asmara": 16, "Birao": 16, "Cinta": 16})
    children = pd.DataFrame({"clinic": ["Asmara", "Birao", "Cinta"], "children": [12, 11, 10]})
    shown = protect(estimates(rows, "clinic", beside={"children": children}), PUBLIC).frame
    assert OTHER_CLINICS not in set(shown["clinic"])


def test_a_report_may_give_the_letters() -> None:
    rows = clinic_rows({"Asmara": 60, "Birao": 90})
    codes = {"Asmara": "B", "Birao": "A"}
    shown = protect(estimates(rows, "clinic"), PUBLIC, codes=codes).frame
    assert shown["clinic"].tolist() == ["A", "B"]
    assert shown["n"].tolist() == [90, 60]


def test_letters_go_on_after_z() -> None:
    assert [letters(i) for i in (0, 25, 26, 27, 701, 702)] == ["A", "Z", "AA", "AB", "ZZ", "AAA"]


def test_units_of_a_comparison_lose_their_names() -> None:
    lines = [(name, n // 2, n, n / 2, 0.5, 0.5, 0.4, 0.6, "as_expected")
             for name, n in (("Asmara", 60), ("Birao", 90), ("Edu", 40))]  # fmt: skip
    frame = pd.DataFrame(lines, columns=list(COMPARISON.columns))
    shown = protect(Result(COMPARISON, frame, context()), PUBLIC).frame
    assert shown["unit"].tolist() == ["A", "B", "C"]


def test_effects_of_a_small_level_and_of_clinics_do_not_leave() -> None:
    lines = [
        ("pirani_start", "", "", 200, 50, 1.3, 1.1, 1.5, 0.001),
        ("adherence_early", "partly", "as_advised", 60, 20, 1.9, 1.4, 2.6, 0.001),
        ("adherence_early", "not", "as_advised", 3, 1, 4.0, 0.5, 30.0, 0.2),
        ("clinic", "Asmara", "Birao", 100, 20, 1.0, 0.8, 1.2, 0.9),
    ]
    frame = pd.DataFrame(lines, columns=list(EFFECTS.columns))
    beside = {"covariance": pd.DataFrame([[1.0]])}
    released = protect(
        Result(EFFECTS, frame, context("relapse_effects", n_feet=200, n_events=50), (), beside),
        PUBLIC,
    )
    assert "clinic" not in set(released.frame["term"])
    assert released.frame["estimate"].isna().tolist() == [False, False, True]
    assert released.beside == {}


def test_the_reference_level_cannot_be_told_from_the_others() -> None:
    lines = [
        ("adherence_early", "partly", "as_advised", 60, 20, 1.9, 1.4, 2.6, 0.001),
        ("adherence_early", "not", "as_advised", 40, 30, 4.0, 2.0, 8.0, 0.001),
    ]
    frame = pd.DataFrame(lines, columns=list(EFFECTS.columns))
    result = Result(EFFECTS, frame, context("relapse_effects", n_feet=103, n_events=58))
    # 103 - 60 - 40 leaves 3 feet in the reference.
    assert protect(result, PUBLIC).frame["n"].isna().tolist() == [False, True]


def test_a_table_split_by_two_columns_is_withheld_whole() -> None:
    rows = [{"quarter": "2024Q1", "severity_band": b, "n": 50, "denominator": 50, "numerator": 25}
            for b in ("mild", "severe")]  # fmt: skip
    released = protect(estimates(rows, "quarter", "severity_band"), PUBLIC)
    assert released.frame.empty
    assert Phrase("protect.too_fine") in released.notes
    assert "withheld" in findings(released, "en")[0]


def test_the_context_says_months_and_no_small_count() -> None:
    result = estimates(
        [{"n": 50, "denominator": 50, "numerator": 25}],
        n_events=3,
        exclusions=(("lost", 2), ("died", 30), ("none", 7)),
        notes=(Phrase("note.x", {"n_feet": 4, "days": 4}),),
    )
    context_ = protect(result, PUBLIC).context
    assert context_.cut_off.isoformat() == "2025-03-01"
    assert context_.n_events is None
    assert context_.exclusions == (("lost", None), ("died", 30), ("none", None))
    assert context_.notes[0].values == {"n_feet": None, "days": 4}
