"""A report says what it was made with, and a rerun whether the same numbers come out."""

import json
import re
from copy import deepcopy

import pytest
from quick_report import SHOW, contents, use_notebooks
from small_programme import write_programme

from analytics.cli import main
from analytics.reports import produce
from analytics.reports.folder import hash_file
from analytics.reports.rerun import compare_results, find_surroundings
from analytics.reports.settings import read_settings


@pytest.fixture
def talipes(monkeypatch, capsys):
    def run(*words):
        monkeypatch.setattr("sys.argv", ["talipes", *map(str, words)])
        with pytest.raises(SystemExit) as ended:
            main()
        out = capsys.readouterr()
        return ended.value.code or 0, out.out, out.err

    return run


@pytest.fixture(scope="module")
def stated(tmp_path_factory):
    """A hypothesis answered once: the quickest report there is."""
    from analytics.definitions.hypotheses import Hypothesis
    from analytics.reports.study_report import produce_study

    folder = tmp_path_factory.mktemp("stated")
    settings = read_settings(write_programme(folder))
    produce_study(settings, Hypothesis("bilateral", "relapse"), folder / "out")
    return folder


def test_the_same_numbers_come_out_and_nothing_is_stated_again(stated, talipes):
    register = (stated / "hypotheses.jsonl").read_bytes()
    code, out, err = talipes("rerun", stated / "out" / "provenance.json")
    assert (code, err) == (0, "")
    assert "is the same" in out
    assert "The same numbers come out" in out
    assert (stated / "hypotheses.jsonl").read_bytes() == register


def test_a_changed_export_is_named_with_every_number_that_moves(stated, talipes):
    export = stated / "visits.csv"
    whole = export.read_text()
    lines = whole.splitlines(keepends=True)
    try:
        export.write_text("".join(line for line in lines if not line.startswith("C003")))
        code, out, _ = talipes("rerun", stated / "out" / "provenance.json")
    finally:
        export.write_text(whole)
    assert code == 9
    assert "visits.csv, sha256" in out
    assert "Other numbers come out" in out
    assert "hypothesis_flow" in out


def test_a_whole_report_comes_out_again_and_stays_as_it_was(tmp_path, monkeypatch, talipes):
    use_notebooks(monkeypatch, tmp_path / "notebooks", [SHOW])
    settings = write_programme(tmp_path, n_children=20)
    produce.produce(read_settings(settings), tmp_path / "out")
    before = contents(tmp_path / "out")
    code, out, _ = talipes("rerun", tmp_path / "out" / "provenance.json")
    assert code == 0
    n = re.search(r"The same numbers come out: (\d+) compared", out)
    assert n and int(n[1]) > 20
    assert contents(tmp_path / "out") == before
    export = tmp_path / "visits.csv"
    lines = export.read_text().splitlines(keepends=True)
    export.write_text("".join(line for line in lines if not line.startswith("C003")))
    code, out, _ = talipes("rerun", tmp_path / "out" / "provenance.json")
    assert code == 9
    assert "a_network feet row" in out
    assert contents(tmp_path / "out") == before


@pytest.mark.parametrize(
    ("spoil", "found"),
    [
        (lambda out: (out / "results.json").write_text("[]"), "is not the one that was written"),
        (lambda out: (out / "results.json").unlink(), "is missing"),
        (lambda out: (out / "provenance.json").write_text("{"), "cannot be read"),
        (lambda out: (out / "provenance.json").write_text('{"policy": 1}'), "cannot be read"),
    ],
    ids=["results changed", "results gone", "no JSON", "no provenance"],
)
def test_what_cannot_be_rerun_is_refused_before_anything_is_made(
    stated, talipes, tmp_path, spoil, found
):
    out = tmp_path / "out"
    out.mkdir()
    for name in ("results.json", "provenance.json"):
        (out / name).write_bytes((stated / "out" / name).read_bytes())
    spoil(out)
    code, _, err = talipes("rerun", out / "provenance.json")
    assert code == 3
    assert found in err
    assert "Traceback" not in err


def test_settings_that_moved_are_asked_for(stated, talipes, tmp_path):
    for name in ("results.json", "provenance.json"):
        (tmp_path / name).write_bytes((stated / "out" / name).read_bytes())
    code, _, err = talipes("rerun", tmp_path / "provenance.json")
    assert code == 3
    assert "--settings" in err


def test_the_provenance_holds_what_a_rerun_needs(stated):
    told = json.loads((stated / "out" / "provenance.json").read_text())
    assert told["settings"]["sha256"] == hash_file(stated / "programme.toml")
    assert told["settings"]["clinics_sha256"] == hash_file(stated / "clinics.csv")
    assert told["settings"]["file"] == "../programme.toml"
    assert {"cut_off", "language", "policy", "versions", "inputs", "seeds"} <= set(told)
    assert "a key for the test" not in json.dumps(told)


def test_every_kind_of_difference_in_surroundings_is_found():
    then = {
        "program": {"name": "p", "version": "1"}, "versions": {"numpy": "2.0"},
        "settings": {"sha256": "a", "file": "x"}, "fingerprint": "f", "policy": {"smallest": 5},
        "seeds": [1], "inputs": [{"file": "e.csv", "sha256": "h", "map_sha256": "m", "n_rows": 3}],
    }  # fmt: skip
    assert list(find_surroundings(then, deepcopy(then))) == []
    assert list(find_surroundings(then, then | {"settings": {"sha256": "a", "file": "y"}})) == []
    for path, what in (
        (("program", "version"), "program, version"),
        (("versions", "numpy"), "versions, numpy"),
        (("settings", "sha256"), "settings, sha256"),
        (("policy", "smallest"), "policy, smallest"),
        (("inputs", 0, "map_sha256"), "e.csv, map_sha256"),
    ):
        now = deepcopy(then)
        place = now
        for key in path[:-1]:
            place = place[key]
        place[path[-1]] = "other"
        assert [d.what for d in find_surroundings(then, now)] == [what]
    assert [d.what for d in find_surroundings(then, then | {"fingerprint": "g"})] == ["fingerprint"]
    assert len(list(find_surroundings(then, then | {"inputs": []}))) == 3


def test_one_changed_cell_is_named_by_its_place():
    block = {
        "page": "p", "name": "q", "groups": ["clinic"],
        "frame": [{"clinic": "A", "n": 3, "estimate": 0.1 + 0.2}, {"clinic": "B", "n": 4,
                  "estimate": None}],
        "hidden": [{"clinic": False, "n": False, "estimate": False}] * 2,
        "context": {"n_feet": 7},
    }  # fmt: skip
    assert compare_results([block], [deepcopy(block)]) == ([], 10)
    other = deepcopy(block)
    other["frame"][0]["estimate"] = 0.3
    ((found,), _) = compare_results([block], [other])
    assert (found.what, found.now) == ("p q row 1 (A) estimate", "0.3")
    hidden = deepcopy(block)
    hidden["hidden"] = [{"n": True}, {}]
    ((found,), _) = compare_results([block], [hidden])
    assert (found.what, found.now) == ("p q row 1 (A) n", "withheld")
    gone, n = compare_results([block, block], [block])
    assert len(gone) == n / 2 == 10
