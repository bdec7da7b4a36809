"""Notebooks stay thin: one question each, no logic, no stored output."""

import ast
from pathlib import Path

import nbformat
import pytest

from analytics.reports.run import read_parameters

FOLDER = Path(__file__).resolve().parents[2] / "notebooks"
NOTEBOOKS = sorted(FOLDER.glob("*.ipynb"))
PARAMETERS = ["settings", "cut_off", "audience", "language"]
MOST_STATEMENTS = 6
LOGIC = (
    ast.FunctionDef,
    ast.AsyncFunctionDef,
    ast.ClassDef,
    ast.Lambda,
    ast.For,
    ast.While,
    ast.If,
    ast.IfExp,
    ast.Try,
    ast.With,
    ast.ListComp,
    ast.SetComp,
    ast.DictComp,
    ast.GeneratorExp,
)


def tags(cell):
    return cell.metadata.get("tags", [])


@pytest.fixture(params=NOTEBOOKS, ids=lambda path: path.stem)
def notebook(request):
    read = nbformat.read(request.param, as_version=4)
    nbformat.validate(read)
    return read


def code(notebook):
    return [cell for cell in notebook.cells if cell.cell_type == "code"]


def test_the_notebooks_of_the_main_job_are_there():
    wanted = {"01", "02", "03", "04", "05", "06", "07", "08", "09"}
    assert wanted <= {path.stem[:2] for path in NOTEBOOKS}


def test_there_is_one_title_and_it_comes_first(notebook):
    markdown = [c.source for c in notebook.cells if c.cell_type == "markdown"]
    titles = [line for text in markdown for line in text.splitlines() if line.startswith("# ")]
    assert len(titles) == 1
    assert notebook.cells[0].source.startswith(titles[0])


def test_one_cell_holds_the_parameters_as_plain_literals(notebook):
    cells = [cell for cell in code(notebook) if "parameters" in tags(cell)]
    assert len(cells) == 1
    assert list(read_parameters(cells[0].source))[:4] == PARAMETERS


def test_words_stand_before_each_code_cell(notebook):
    for before, cell in zip(notebook.cells, notebook.cells[1:], strict=False):
        if cell.cell_type == "code":
            assert before.cell_type == "markdown", cell.source


def test_code_holds_no_logic_and_few_statements(notebook):
    for cell in code(notebook):
        # Parameters are literals, as many as the question needs.
        few = "parameters" in tags(cell) or len(ast.parse(cell.source).body) <= MOST_STATEMENTS
        assert few, cell.source
        found = [node for node in ast.walk(ast.parse(cell.source)) if isinstance(node, LOGIC)]
        assert found == [], cell.source


def test_imports_come_from_the_analytics_package_only(notebook):
    for cell in code(notebook):
        for node in ast.walk(ast.parse(cell.source)):
            if isinstance(node, ast.Import):
                assert all(name.name.split(".")[0] == "analytics" for name in node.names)
            if isinstance(node, ast.ImportFrom):
                assert (node.module or "").split(".")[0] == "analytics"


def test_nothing_that_ran_is_stored_but_the_checked_headline(notebook):
    for cell in code(notebook):
        checked = "nbval-check-output" in tags(cell)
        # A cell whose output is compared must look as if it had run.
        assert cell.execution_count == (1 if checked else None)
        assert checked or cell.outputs == []
        assert all(set(o.get("data", {"text/plain": ""})) == {"text/plain"} for o in cell.outputs)
