"""A restated number is explained: who entered, left, matured or changed, and which rule."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from drawn import cohort_of

from analytics.analyses import restated
from analytics.analyses.restated import build_state, compare, pack, unpack
from analytics.analyses.verdicts import find_verdicts
from analytics.courses.cohort import Cohort
from analytics.definitions.indicators import INDICATORS
from analytics.definitions.policies import INTERNAL, PUBLIC
from analytics.definitions.protocol import Protocol
from analytics.errors import ExportFileError
from analytics.reports.comparing import STATE, tell_changes, write_state
from analytics.reports.report import Report
from analytics.reports.settings import read_settings

ASKED = [INDICATORS["initial_correction"], INDICATORS["dropped_out"]]

THEN = """
    child side  started_on is_corrected status
    a     left  2024-01-01 yes          in_care
    b     left  2024-01-01 no           in_care
    c     left  2024-01-01 .            in_care
    d     left  2025-05-01 yes          in_care
    e     left  2024-01-01 yes          in_care
    """

NOW = """
    child side  started_on is_corrected status
    a     left  2024-01-01 yes          lost
    b     left  2024-01-01 yes          in_care
    c     left  2024-01-01 .            in_care
    d     left  2025-05-01 yes          in_care
    f     left  2024-01-01 no           in_care
    """


def then() -> Cohort:
    return cohort_of(THEN, cut_off="2025-07-01")


def now(protocol: Protocol | None = None) -> Cohort:
    return cohort_of(NOW, cut_off="2026-01-01", protocol=protocol)


def test_changes_by_cause_add_up_to_the_difference() -> None:
    changes = compare(build_state(then(), ASKED), build_state(now(), ASKED))
    assert changes.entered == ("f left",) and changes.left == ("e left",)
    assert changes.changed == ("a left", "b left")
    correction, dropped = changes.indicators
    assert (correction.was, correction.now) == ((2, 3), (3, 4))
    assert correction.causes == {
        "entered": (0, 1), "left": (-1, -1), "matured": (1, 1), "changed": (1, 0),
    }  # fmt: skip
    assert correction.units["matured"] == ("d left",)
    assert dropped.units["changed"] == ("a",)
    for one in changes.indicators:
        for place in (0, 1):
            moved = sum(pair[place] for pair in one.causes.values())
            assert one.now[place] - one.was[place] == moved


def test_nothing_changed_is_said_as_nothing() -> None:
    state = build_state(then(), ASKED)
    assert unpack(json.loads(json.dumps(pack(state)))) == state
    changes = compare(state, unpack(json.loads(json.dumps(pack(state)))))
    assert not (changes.entered or changes.left or changes.changed or changes.windows)
    assert not any(any(r.units.values()) or r.is_redefined for r in changes.indicators)


def test_a_state_holds_every_verdict_whatever_is_written_out_at_a_time(monkeypatch) -> None:
    cohort = cohort_of(
        """
        child side  started_on is_corrected status
        a     left  2024-01-01 yes          in_care
        a     right 2024-03-01 no           lost
        b     left  2024-02-01 .            in_care
        """,
        cut_off="2025-07-01",
    )
    state = build_state(cohort, ASKED)
    for asked in ASKED:
        verdict = find_verdicts(cohort, asked)
        feet = cohort.feet.loc[verdict.index]
        keys = feet["child"] if asked.unit == "child" else feet["child"] + " " + feet["side"]
        assert state.verdicts(asked.code) == dict(zip(keys, verdict, strict=True))
    assert state.verdicts("never_asked") is None
    monkeypatch.setattr(restated, "_AT_ONCE", 2)
    assert build_state(cohort, ASKED) == state
    nobody = replace(cohort, feet=cohort.feet.iloc[:0])
    assert build_state(nobody, ASKED).verdicts(ASKED[0].code) == {}


def test_another_rule_and_another_window_are_named() -> None:
    rule = replace(ASKED[0], population="started_on != missing and status != 'lost'")
    later = build_state(now(Protocol(casts_many=10)), [rule])
    changes = compare(build_state(then(), ASKED), later)
    assert changes.windows == {"casts_many": (8.0, 10.0)}
    redefined = {r.code: r.is_redefined for r in changes.indicators}
    assert redefined == {"initial_correction": True, "dropped_out": True}
    assert changes.indicators[1].now is None


@pytest.fixture
def report(tmp_path: Path) -> Report:
    file = tmp_path / "programme.toml"
    file.write_text(
        '[programme]\nname = "Demo"\ncut_off = 2026-01-01\nidentity_key = "k"\n'
        '[[source]]\npath = "x.csv"\nmap = "x.toml"\n',
        encoding="utf-8",
    )
    opened = Report(read_settings(file), INTERNAL)
    # What the cached property would have made from the exports.
    vars(opened)["cohort"] = now()
    return opened


def test_told_from_the_state_that_the_last_report_kept(report: Report, tmp_path: Path) -> None:
    last = Report(report.settings, INTERNAL)
    vars(last)["cohort"] = then()
    write_state(last, tmp_path)
    text = tell_changes(report, tmp_path)
    assert "Initial correction, of all feet started: 2/3 -> 3/4" in text
    assert "too early to say then, 1: +1 / +1 (d left)" in text
    assert "Feet that entered: 1 (f left)" in text


def test_a_public_report_keeps_no_state_and_only_numbers_are_compared(
    report: Report, tmp_path: Path
) -> None:
    public = Report(report.settings, PUBLIC)
    vars(public)["cohort"] = now()
    write_state(public, tmp_path)
    assert not (tmp_path / STATE).exists()
    frame = [{"measure": "initial_correction", "estimate": 0.5}]
    blocks = [{"shape": "estimates", "groups": [], "frame": frame}]
    (tmp_path / "results.json").write_text(json.dumps(blocks), "utf-8")
    (tmp_path / "provenance.json").write_text('{"fingerprint": "x", "cut_off": "2025-07"}', "utf-8")
    text = tell_changes(public, tmp_path)
    assert "50.0% -> 75.0%" in text and "others than then" in text and " left" not in text
    with pytest.raises(ExportFileError, match="talipes report"):
        tell_changes(report, tmp_path / "nowhere")
