"""A source map is read strictly: what is not known is refused with a close name."""

from __future__ import annotations

import re
import textwrap
import tomllib

import pytest

from analytics.errors import SourceMapError
from analytics.intake import maps
from analytics.intake.maps import parse_map, read_map


def documented_maps() -> list[str]:
    blocks = re.split(r"::\n\n", maps.__doc__)[1:]
    texts = []
    for block in blocks[:2]:
        kept = [line for line in block.splitlines() if not line or line.startswith("    ")]
        texts.append(textwrap.dedent("\n".join(kept)))
    return texts


@pytest.mark.parametrize("number, shape", [(0, "long"), (1, "wide")])
def test_the_documented_examples_are_valid(number, shape, tmp_path):
    path = tmp_path / "map.toml"
    path.write_text(documented_maps()[number], encoding="utf-8")
    assert read_map(path).shape == shape


BASE = {
    "name": "x",
    "shape": "long",
    "child": {"id": ["No"]},
    "columns": {"visits": {"side": "Foot", "clinic": "C", "visited_on": "Day", "purpose": "Why"}},
}


@pytest.mark.parametrize(
    "change, said",
    [
        ({"shap": "long"}, "did you mean 'shape'?"),
        ({"shape": "tall"}, "'tall'"),
        ({"child": {"id": []}}, "identifies a child"),
        ({"child": {"id": ["No"], "scope": "town"}}, "'town'"),
        ({"columns": {"visits": {"side": "F", "visited_on": "D", "purpose": "W"}}}, "clinic"),
        ({"columns": {**BASE["columns"], "children": {"sexe": "S"}}}, "did you mean 'sex'?"),
        ({"codes": {"side": {"lefft": ["L"]}}}, "did you mean 'left'?"),
        ({"codes": {"sides": {"left": ["L"]}}}, "did you mean 'side'?"),
        ({"codes": {"side": {"left": ["B"], "right": ["b"]}}}, "two codes"),
        ({"drop": ["Day"]}, "two uses"),
        ({"dates": {"formats": ["DD/MM/YYYY", "MM/DD/YYYY"]}}, "in two ways"),
        ({"dates": {"formats": ["dd/mm/yyyy"]}}, "'dd/mm/yyyy'"),
        ({"file": {"header_line": "1"}}, "a whole number"),
        ({"numbers": {"decimal": ";"}}, "';'"),
        ({"groups": [{"name": "g"}]}, "no name or no columns"),
    ],
)
def test_one_clear_message_for_a_wrong_map(change, said):
    with pytest.raises(SourceMapError) as caught:
        parse_map(BASE | change, where="my.toml")
    assert said in str(caught.value)
    assert "my.toml" in caught.value.where
    assert caught.value.todo


def test_a_repeated_heading_needs_its_numbers_and_its_sides():
    tree = tomllib.loads(documented_maps()[1])
    del tree["groups"][0]["last"]
    with pytest.raises(SourceMapError, match="runs from 1 to 0"):
        parse_map(tree, where="my.toml")
    tree = tomllib.loads(documented_maps()[1])
    del tree["sides"]
    with pytest.raises(SourceMapError, match="stands for left"):
        parse_map(tree, where="my.toml")


def test_a_missing_or_broken_file_is_one_message(tmp_path):
    with pytest.raises(SourceMapError, match="cannot be opened"):
        read_map(tmp_path / "none.toml")
    (tmp_path / "bad.toml").write_text("name = ")
    with pytest.raises(SourceMapError, match="not valid TOML"):
        read_map(tmp_path / "bad.toml")
