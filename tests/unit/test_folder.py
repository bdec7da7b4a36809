"""A report takes the place of the last one only when all of it was written."""

import json

import pytest
from small_programme import write_programme

from analytics.definitions.hypotheses import Hypothesis
from analytics.errors import OutputError
from analytics.reports import folder as folder_module
from analytics.reports.folder import PROVENANCE, hash_file, replacing
from analytics.reports.produce import produce
from analytics.reports.report import read_exports
from analytics.reports.settings import read_settings
from analytics.reports.store import settle_and_store
from analytics.reports.study_report import produce_study


def write_report(target, text):
    with replacing(target) as folder:
        (folder / "network.html").write_text(text)
        files = {"network.html": hash_file(folder / "network.html")}
        (folder / PROVENANCE).write_text(json.dumps({"files": files}))


def contents(target):
    return {path.name: path.read_text() for path in target.iterdir()}


def test_a_report_is_written_and_then_replaced(tmp_path):
    target = tmp_path / "deep" / "report"
    write_report(target, "first")
    write_report(target, "second")
    assert contents(target)["network.html"] == "second"
    assert [path.name for path in target.parent.iterdir()] == ["report"]


def test_a_report_is_as_readable_as_any_new_folder(tmp_path):
    write_report(tmp_path / "report", "x")
    (tmp_path / "other").mkdir()
    assert (tmp_path / "report").stat().st_mode == (tmp_path / "other").stat().st_mode


def test_a_failed_run_leaves_the_last_report_and_nothing_else(tmp_path):
    target = tmp_path / "report"
    write_report(target, "good")
    before = contents(target)
    with pytest.raises(ValueError, match="broken"), replacing(target) as folder:
        (folder / "network.html").write_text("half")
        raise ValueError("broken")
    assert contents(target) == before
    assert [path.name for path in tmp_path.iterdir()] == ["report"]


def test_a_full_disk_is_one_message_and_leaves_the_last_report(tmp_path):
    target = tmp_path / "report"
    write_report(target, "good")
    with pytest.raises(OutputError, match="No space left") as caught, replacing(target) as folder:
        raise OSError(28, "No space left on device", str(folder / "network.html"))
    assert caught.value.exit_code == 8
    assert contents(target)["network.html"] == "good"


def test_the_last_report_comes_back_when_the_new_one_cannot_be_moved(tmp_path, monkeypatch):
    target = tmp_path / "report"
    write_report(target, "good")
    kind = type(target)
    rename = kind.rename

    def refuse_new(self, to):
        if "-new-" in self.parent.name:
            raise PermissionError(13, "Permission denied", str(self))
        return rename(self, to)

    monkeypatch.setattr(kind, "rename", refuse_new)
    with pytest.raises(OutputError, match="Permission denied"):
        write_report(target, "new")
    monkeypatch.undo()
    assert contents(target)["network.html"] == "good"
    assert [path.name for path in tmp_path.iterdir()] == ["report"]


def test_a_folder_of_other_files_is_never_replaced(tmp_path):
    target = tmp_path / "documents"
    target.mkdir()
    (target / "thesis.docx").write_text("mine")
    with pytest.raises(OutputError, match=r"thesis\.docx"):
        write_report(target, "x")
    assert contents(target) == {"thesis.docx": "mine"}


def test_a_file_that_a_person_filled_in_is_never_replaced(tmp_path):
    target = tmp_path / "report"
    write_report(target, "x")
    (target / "network.html").write_text("x, and my notes")
    with pytest.raises(OutputError, match=r"network\.html"):
        write_report(target, "y")
    assert contents(target)["network.html"] == "x, and my notes"


def test_an_empty_folder_may_be_used(tmp_path):
    target = tmp_path / "report"
    target.mkdir()
    write_report(target, "x")
    assert contents(target)["network.html"] == "x"


def test_a_file_in_the_place_of_the_folder_is_refused(tmp_path):
    target = tmp_path / "report"
    target.write_text("a file")
    with pytest.raises(OutputError, match="not a folder"):
        write_report(target, "x")
    assert target.read_text() == "a file"


def test_a_place_that_cannot_be_written_is_refused(tmp_path):
    blocked = tmp_path / "file"
    blocked.write_text("")
    with pytest.raises(OutputError, match="cannot be written") as caught:
        write_report(blocked / "report", "x")
    assert caught.value.where == str(blocked / "report")


@pytest.fixture
def closed(tmp_path, monkeypatch):
    """A good report in a folder in which nothing new may be made, whoever runs the test."""
    target = tmp_path / "report"
    write_report(target, "good")

    def refuse(**at):
        raise PermissionError(13, "Permission denied", f"{at['dir']}/{at['prefix']}x")

    monkeypatch.setattr(folder_module.tempfile, "mkdtemp", refuse)
    return target


@pytest.mark.parametrize(
    "make",
    [
        lambda settings, out: produce(settings, out),
        lambda settings, out: produce_study(settings, Hypothesis("bilateral", "relapse"), out),
        lambda settings, out: settle_and_store(read_exports(settings), settings.engine, out),
    ],
    ids=["report", "hypothesis", "records"],
)
def test_a_closed_folder_is_refused_before_anything_is_done(closed, tmp_path, make):
    (tmp_path / "programme").mkdir()
    settings = read_settings(write_programme(tmp_path / "programme", n_children=1))
    before = sorted(path.name for path in settings.file.parent.iterdir())
    with pytest.raises(OutputError, match="Permission denied") as caught:
        make(settings, closed)
    assert caught.value.where == str(closed)
    assert "the last report is untouched" in caught.value.todo
    assert contents(closed)["network.html"] == "good"
    # No cache of exports, no register of hypotheses: nothing was read or stated.
    assert sorted(path.name for path in settings.file.parent.iterdir()) == before
