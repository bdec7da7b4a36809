"""JSON of a report: what the standard library writes, whatever stands beside what."""

from __future__ import annotations

import json

import pytest

from analytics.reports.plain import write_json

TREE = {
    "list": ["caf\u00e9", 1, 2.5, None, True, "plain", '\u4e2d\n\t"\\'],
    "\u00e9 key": {"empty": [], "none": {}, "deep": [["\u00fc"], {"a": ["\u00df", "b"]}]},
}


def test_pieces_are_the_text_of_the_standard_library(tmp_path):
    write_json(tmp_path / "a.json", TREE)
    wanted = json.dumps(TREE, ensure_ascii=False, indent=1) + "\n"
    assert (tmp_path / "a.json").read_bytes() == wanted.encode()


def test_a_sign_that_nobody_sees_is_its_number_and_the_value_stays(tmp_path):
    tree = ["\u00e9\u202eturned", {"\u200bkey": "\u2066"}]
    write_json(tmp_path / "a.json", tree)
    text = (tmp_path / "a.json").read_text(encoding="utf-8")
    assert "\\u202e" in text and "\\u200b" in text and "\u202e" not in text
    assert json.loads(text) == tree


def test_a_number_that_json_does_not_know_is_refused(tmp_path):
    with pytest.raises(ValueError, match="JSON"):
        write_json(tmp_path / "a.json", [float("nan")])
