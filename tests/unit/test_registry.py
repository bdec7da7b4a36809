"""The register of hypotheses: only added to, and a change is noticed."""

import json
import multiprocessing
from dataclasses import replace

import pytest

from analytics.definitions.hypotheses import Hypothesis
from analytics.errors import OutputError, RecordsError
from analytics.reports.registry import read_entries, register

ONE = Hypothesis("sex", "relapse", ("pirani_start",), "bilateral")


def lines(file):
    return [json.loads(line) for line in file.read_text().splitlines()]


def test_a_statement_is_written_once_with_its_time_and_hash(tmp_path):
    file = tmp_path / "register.jsonl"
    first = register(file, ONE, cohort="c1")
    again = register(file, ONE, cohort="c1")
    assert (first.is_new, again.is_new) == (True, False)
    (line,) = lines(file)
    assert again.entry == first.entry == line
    assert line["statement"] == {
        "exposure": "sex",
        "outcome": "relapse",
        "adjust": ["pirani_start"],
        "subgroup": "bilateral",
    }
    assert line["stated_at"].endswith("+00:00")
    assert len(line["hash"]) == 64


def test_a_changed_hypothesis_is_a_new_entry_and_the_first_stays(tmp_path):
    file = tmp_path / "register.jsonl"
    register(file, ONE, cohort="c1")
    before = file.read_bytes()
    changed = register(file, replace(ONE, exposure="side"), cohort="c1")
    assert file.read_bytes().startswith(before)
    assert (changed.entry["number"], changed.n_on_cohort) == (2, 2)
    # Another cohort counts anew, in the same register.
    other = register(file, ONE, cohort="c2")
    assert (other.entry["number"], other.n_on_cohort, other.is_new) == (3, 1, True)
    assert register(file, ONE, cohort="c1").n_on_cohort == 2


@pytest.mark.parametrize(
    "spoil",
    [
        lambda rows: [rows[0].replace("relapse", "operation"), *rows[1:]],
        lambda rows: rows[1:],
        lambda rows: [rows[0], rows[2]],
        lambda rows: [rows[1], rows[0], rows[2]],
        lambda rows: [*rows[:2], "not JSON"],
        lambda rows: [*rows[:2], "[]"],
    ],
    ids=["changed", "first gone", "middle gone", "moved", "broken", "no table"],
)
def test_a_register_changed_by_hand_is_refused(tmp_path, spoil):
    file = tmp_path / "register.jsonl"
    for exposure in ("sex", "side", "bilateral"):
        register(file, replace(ONE, exposure=exposure, subgroup=""), cohort="c1")
    text = "\n".join(spoil(file.read_text().splitlines())) + "\n"
    file.write_text(text)
    with pytest.raises(RecordsError, match="was changed after it was written"):
        register(file, ONE, cohort="c1")
    assert file.read_text() == text


def test_a_register_that_cannot_be_written_says_so(tmp_path):
    with pytest.raises(OutputError, match="cannot be written"):
        register(tmp_path / "none" / "register.jsonl", ONE, cohort="c1")


def add_one(job):
    file, name = job
    register(file, Hypothesis(name, "relapse"), cohort="c1")


def test_two_at_once_do_not_write_over_each_other(tmp_path):
    file = tmp_path / "register.jsonl"
    jobs = [(file, f"extra_{number}") for number in range(12)]
    with multiprocessing.get_context("spawn").Pool(2) as pool:
        pool.map(add_one, jobs)
    entries = read_entries(file.read_text(), where="register")
    assert [entry["number"] for entry in entries] == list(range(1, 13))
