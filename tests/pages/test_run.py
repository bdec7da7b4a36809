"""Notebooks are run with their parameters by this very interpreter."""

import sys

import nbformat
import pytest

from analytics.errors import QuestionError, SettingsError
from analytics.reports.run import Run, read_parameters, run_notebooks, set_parameters

V4 = nbformat.v4


def write_notebook(folder, name, *sources, parameters='quarter = "2025Q1"\nn = 3'):
    notebook = V4.new_notebook()
    first = V4.new_code_cell(parameters, metadata={"tags": ["parameters"]})
    notebook.cells = [first, *(V4.new_code_cell(source) for source in sources)]
    path = folder / f"{name}.ipynb"
    nbformat.write(notebook, path)
    return path


def shown(notebook):
    return [
        output.get("text") or output.get("evalue") or output["data"]["text/plain"]
        for cell in notebook.cells
        if cell.cell_type == "code"
        for output in cell.outputs
    ]


def test_parameters_are_replaced_and_the_others_kept(tmp_path):
    path = write_notebook(tmp_path, "a", "quarter, n")
    (done,) = run_notebooks([Run(path, {"quarter": 'it\'s "2025Q2"'})])
    assert shown(done) == ["""('it\\'s "2025Q2"', 3)"""]
    assert nbformat.read(path, as_version=4).cells[0].source.startswith('quarter = "2025Q1"')


def test_an_unknown_parameter_is_refused_by_naming_the_valid_ones(tmp_path):
    path = write_notebook(tmp_path, "a", "n")
    with pytest.raises(SettingsError) as caught:
        run_notebooks([Run(path, {"quater": "2025Q2"})])
    assert "'quater'" in caught.value.found
    assert caught.value.allowed == "quarter, n"
    assert caught.value.where == "a.ipynb"


def test_a_notebook_without_a_parameters_cell_is_refused():
    with pytest.raises(SettingsError, match="0 cells are tagged"):
        set_parameters(V4.new_notebook(), {}, where="b.ipynb")


@pytest.mark.parametrize("source", ["import os", "n = len('a')", "a = b = 1", "n += 1"])
def test_a_parameters_cell_with_other_code_is_refused(source):
    with pytest.raises(SettingsError, match="no plain assignment"):
        read_parameters(source)


def test_several_run_in_this_interpreter_in_their_folder_and_keep_their_order(tmp_path):
    sources = ("import os, sys", "print(sys.executable, os.getcwd(), os.environ['A_WORD'], n)")
    runs = [Run(write_notebook(tmp_path, f"n{i}", *sources), {"n": i}) for i in range(3)]
    told = []
    done = run_notebooks(runs, environment={"A_WORD": "word"}, tell=told.append)
    expected = [[f"{sys.executable} {tmp_path} word {i}\n"] for i in range(3)]
    assert [shown(notebook) for notebook in done] == expected
    assert sorted(told) == ["n0", "n1", "n2"]


def test_a_failing_cell_keeps_its_reason_while_the_others_run(tmp_path):
    path = write_notebook(tmp_path, "a", "1 / 0", "n + 1")
    (done,) = run_notebooks([Run(path, {})])
    assert shown(done) == ["division by zero", "4"]


def test_a_dead_kernel_is_one_message(tmp_path):
    path = write_notebook(tmp_path, "a", "import os", "os._exit(1)")
    with pytest.raises(QuestionError, match="stopped before its end"):
        run_notebooks([Run(path, {})])


def test_a_missing_notebook_is_one_message(tmp_path):
    with pytest.raises(QuestionError, match="cannot be read"):
        run_notebooks([Run(tmp_path / "none.ipynb", {})])


def test_a_notebook_sees_nothing_of_the_one_before_in_its_kernel(tmp_path):
    sources = ("'left_over' in globals()", "left_over = 1")
    runs = [Run(write_notebook(tmp_path, name, *sources), {}) for name in "abcde"]
    assert [shown(done) for done in run_notebooks(runs)] == [["False"]] * 5


def test_notebooks_come_back_in_their_place_whatever_runs_first(tmp_path):
    told = []
    short = write_notebook(tmp_path, "short", "'short'")
    long = write_notebook(tmp_path, "long", "1", "2", "'long'")
    middle = write_notebook(tmp_path, "middle", "1", "'middle'")
    done = run_notebooks([Run(p, {}) for p in (short, long, middle)], tell=told.append)
    assert [shown(notebook)[-1] for notebook in done] == ["'short'", "'long'", "'middle'"]
    assert sorted(told) == ["long", "middle", "short"]
    assert run_notebooks([]) == []


def test_of_a_run_nothing_stays_but_what_is_to_be_kept(tmp_path):
    paths = [write_notebook(tmp_path, name, f"'{name}'") for name in "abc"]
    whole, *laid_aside = run_notebooks(
        [Run(path, {}, keep=None if path == paths[0] else shown) for path in paths]
    )
    assert shown(whole) == ["'a'"]
    assert laid_aside == [["'b'"], ["'c'"]]


def test_each_notebook_is_told_whether_its_figures_are_needed_as_png(tmp_path):
    sources = ["n = 0", "from analytics.reports.prepared import wants_pictures; wants_pictures()"]
    paths = [write_notebook(tmp_path, f"n{i}", *sources) for i in range(4)]
    runs = [Run(path, {}, pictures=i % 2 == 1) for i, path in enumerate(paths)]
    assert [shown(done) for done in run_notebooks(runs)] == [["False"], ["True"]] * 2


def test_two_kernels_that_die_for_one_reason_are_one_message(tmp_path, caplog):
    paths = [write_notebook(tmp_path, name, "import os", "os._exit(1)") for name in "ab"]
    with pytest.raises(QuestionError, match="stopped before its end"):
        run_notebooks([Run(path, {}) for path in paths])
    assert not [record for record in caplog.records if record.name == "asyncio"]
