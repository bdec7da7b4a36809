"""Pages of single clinics: named answers, hostile names, file names, and who may have them."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pandas as pd
import pytest
from drawn import cohort_of, drawn, typed

from analytics.analyses.every_clinic import CASTS, compare_all, find_position
from analytics.definitions.columns import CLINICS
from analytics.definitions.indicators import COMPARED, OWN_NUMBERS
from analytics.definitions.policies import INTERNAL, POLICIES, PUBLIC
from analytics.display.block import Block
from analytics.errors import QuestionError, SettingsError
from analytics.reports.listing import Listing
from analytics.reports.one_clinic import ClinicFile, OneClinic, check_released, file_name
from analytics.sharing.protect import protect

HOSTILE = "<img src=x onerror=alert(1)> =1+1 [x](http://x)"
CLINIC_TABLE = """
    clinic opened_on  closed_on  formerly
    A      2020-01-01 .          OLD
    EMPTY  2024-01-01 .          .
    LATER  2020-01-01 2030-01-01 .
    ONE    2020-01-01 .          .
    SHUT   2020-01-01 2024-06-30 .
    UNCAST 2020-01-01 .          .
    """
FLAGS = """
    clinic rule severity file     sheet line found
    A      R06  hard     e.csv    .     12   .
    A      R06  hard     e.csv    .     13   .
    A      R30  soft     e.csv    .     14   .
    A      R26  soft     .        .     .    40_right_to_2_left
    .      R06  hard     e.csv    .     15   .
    """


def feet() -> pd.DataFrame:
    line = drawn(
        "child clinic started_on quarter age_start_days pirani_start is_corrected corrected_on "
        "n_casts last_seen_on has_tenotomy\n"
        "x A 2024-02-01 2024Q1 30 4.5 yes 2024-04-01 6 2025-12-01 yes"
    )
    rows = pd.concat([line.assign(child=f"c{i:02d}") for i in range(60)], ignore_index=True)
    rows.loc[30:, "clinic"] = "LATER"
    rows.loc[50:, "clinic"] = "SHUT"
    rows.loc[58, "clinic"] = "ONE"
    rows.loc[59, ["clinic", "started_on", "quarter", "n_casts"]] = ["UNCAST", pd.NA, pd.NA, pd.NA]
    rows.loc[59, ["is_corrected", "corrected_on"]] = ["no", pd.NA]
    rows.loc[::3, ["pirani_start", "n_casts"]] = ["5.5", "7"]
    rows.loc[::7, ["is_corrected", "corrected_on", "has_tenotomy"]] = ["no", pd.NA, "no"]
    rows.loc[1:9, "n_casts"] = "12"
    return rows


@pytest.fixture(scope="module")
def clinic_file() -> ClinicFile:
    from analytics.intake.totals import sum_faults
    from analytics.reports.fixing import list_kinds

    clinics = typed(drawn(CLINIC_TABLE), CLINICS).assign(name=HOSTILE)
    cohort = replace(cohort_of(feet()), clinics=clinics)
    flags = drawn(FLAGS)
    flags = flags.assign(line=flags["line"].astype("Int64"))
    faults = list_kinds(sum_faults(flags))
    return ClinicFile(clinics, compare_all(cohort, COMPARED, OWN_NUMBERS), faults)


def page(clinic_file: ClinicFile, clinic: str, language: str = "en") -> OneClinic:
    return OneClinic(clinic_file, clinic, "internal", language, date(2026, 1, 1))


@pytest.mark.parametrize(
    ("clinic", "words"),
    [
        ("A", "30 feet of 30 children; first cast 1 February 2024, last visit 1 December 2025. "
              "Open since 1 January 2020. Formerly recorded as OLD."),
        ("EMPTY", "No foot of this clinic is in the records."),
        ("ONE", "1 foot of one child: too few to say anything of the clinic"),
        ("UNCAST", "1 foot of 1 child; no cast is recorded."),
        ("SHUT", "Closed on 30 June 2024: what stands here is its history."),
    ],
)  # fmt: skip
def test_who_came_is_a_named_answer(clinic_file: ClinicFile, clinic: str, words: str) -> None:
    assert words in page(clinic_file, clinic).facts.sentence


def test_a_day_of_closing_still_to_come_is_not_told(clinic_file: ClinicFile) -> None:
    assert "Closed" not in page(clinic_file, "LATER").facts.sentence


@pytest.mark.parametrize(
    ("clinic", "language"),
    [("A", "fr"), ("EMPTY", "es"), ("ONE", "pt"), ("SHUT", "en"), ("UNCAST", "en")],
)
def test_every_piece_of_every_page_is_drawn_and_tells(
    clinic_file: ClinicFile, clinic: str, language: str
) -> None:
    shown = page(clinic_file, clinic, language)
    charts = [shown.chart(code) for code in ("initial_correction", "lost_first_year")]
    for result in (shown.standing, shown.numbers, *charts):
        block = Block(protect(result, INTERNAL), language)
        assert "<svg" in block.to_html()
        assert block.sentences[0]
    for listed in (shown.facts, shown.records_to_fix, shown.questions):
        assert listed.sentence and listed.to_html()


def test_a_clinic_without_feet_has_nothing_said_of_it(clinic_file: ClinicFile) -> None:
    shown = page(clinic_file, "EMPTY")
    frame = shown.standing.frame
    assert set(frame["flag"]) == {"too_few"}
    assert frame["denominator"].eq(0).all() and frame["estimate"].isna().all()
    own = shown.numbers.frame.set_index(["whose", "measure"])
    assert own.loc["clinic", "n"].eq(0).all() and own.loc["clinic", "estimate"].isna().all()
    assert own.loc["network", "n"].gt(0).all()
    assert shown.chart("initial_correction").frame.empty
    told = Block(protect(shown.standing, INTERNAL)).sentences
    assert told[0].startswith("too few to say: ")


def test_few_children_are_too_few_and_many_are_judged(clinic_file: ClinicFile) -> None:
    flag = page(clinic_file, "ONE").standing.frame["flag"]
    assert set(flag.dropna()) == {"too_few"}
    assert find_position(clinic_file.every, "SHUT", CASTS) == "too_few"
    assert find_position(clinic_file.every, "LATER", "initial_correction") == "as_expected"
    # Four clinics that vary: nobody can tell how far one may lie from the others.
    assert find_position(clinic_file.every, "LATER", CASTS) == "too_few"


def test_figures_are_seen_over_what_the_network_would_have_had(clinic_file: ClinicFile) -> None:
    frame = page(clinic_file, "A").standing.frame
    judged = frame.loc[frame["estimate"].notna()]
    assert len(judged) >= 2
    ratio = judged["numerator"] / judged["expected"]
    assert judged["estimate"].to_numpy() == pytest.approx(ratio.to_numpy())
    assert (judged["lower"] <= judged["estimate"]).all()
    assert (judged["estimate"] <= judged["upper"]).all()


def test_records_to_fix_are_counted_by_rule_with_what_to_do(clinic_file: ClinicFile) -> None:
    listed = page(clinic_file, "A").records_to_fix
    assert listed.sentence.startswith("Kept out of the numbers: 2; counted, but to be checked: 1.")
    rows = [[cell.value for cell in row] for row in listed.table.rows]
    assert [row[1] for row in rows] == [2, 1]
    assert "off its scale" in rows[0][0] and "Correct the score" in rows[0][2]
    assert rows[0][4] == "e.csv 12"
    assert "No record" in page(clinic_file, "LATER").records_to_fix.sentence


def test_questions_are_no_faults(clinic_file: ClinicFile) -> None:
    listed = page(clinic_file, "A").questions
    assert "not faults" in listed.sentence
    assert any("One side is recorded" in row[0].text for row in listed.table.rows)
    assert "Nothing unusual" in page(clinic_file, "ONE").questions.sentence


def test_names_cannot_do_anything(clinic_file: ClinicFile) -> None:
    shown = page(clinic_file, "A")
    html = "".join(part.to_html() for part in (shown.facts, shown.records_to_fix, shown.questions))
    assert "<img" not in html
    assert "&lt;img src=x" in html


def test_an_unknown_clinic_is_refused_with_what_comes_near(clinic_file: ClinicFile) -> None:
    with pytest.raises(SettingsError, match="EMPTI"):
        page(clinic_file, "EMPTI")


@pytest.mark.parametrize("policy", POLICIES.values(), ids=list(POLICIES))
def test_only_an_audience_that_knows_the_clinics_has_their_pages(policy) -> None:
    assert not policy.clinic_pages or policy.names_clinics
    if policy.clinic_pages:
        check_released(policy)
    else:
        with pytest.raises(QuestionError, match="not released"):
            check_released(policy)
    assert not PUBLIC.clinic_pages


def test_file_names_are_safe_stable_and_of_one_clinic_each() -> None:
    assert file_name("AMB") == "clinic-AMB.html"
    codes = ["AMB", "amb", "Amb", "a/b", "a b", "../x", "..", "", "=1", "CON", "a" * 300,
             "a" * 299, "\u0645\u0631\u0643\u0632", "\u4e2d", "x\x00y"]  # fmt: skip
    names = [file_name(code) for code in codes]
    assert len({name.casefold() for name in names}) == len(codes)
    for name in names:
        assert name.isascii() and len(name) < 80
        assert not set(name) & set('/\\:*?"<>|\x00 ')
        assert name.startswith("clinic-") and name.endswith(".html")
    # SHA-256 of "amb" begins so, by sha256sum.
    assert file_name("amb") == "clinic-amb-2c1ce718.html"


def test_a_list_without_rows_is_its_sentence() -> None:
    from analytics.reports.listing import as_table

    listed = Listing("fix", "internal", as_table("Nothing", [("what", "What")], []), "None <b>.")
    assert "<table" not in listed.to_html()
    assert "None &lt;b&gt;." in listed.to_html()
