"""A disk that takes no more: one message, its own exit code, and the last good report as it was."""

import resource
import signal

import pytest
from quick_report import SHOW, contents, use_notebooks
from small_programme import write_programme

from analytics.cli import main


@pytest.fixture
def report(tmp_path, monkeypatch, capfd):
    use_notebooks(monkeypatch, tmp_path / "notebooks", [SHOW])
    settings = write_programme(tmp_path, n_children=20, formats=["pdf", "docx"])

    def run():
        words = ["talipes", "report", str(settings), "--out", str(tmp_path / "out")]
        monkeypatch.setattr("sys.argv", words)
        with pytest.raises(SystemExit) as ended:
            main()
        return ended.value.code or 0, capfd.readouterr().err

    return run


@pytest.fixture
def small_files():
    """No file may grow beyond so many bytes: what a full disk is to a program, for this process."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    ignored = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)

    def limit(size):
        resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))

    yield limit
    resource.setrlimit(resource.RLIMIT_FSIZE, before)
    signal.signal(signal.SIGXFSZ, ignored)


# The first stops what is kept between intake and pages, the second a page, the third a file.
@pytest.mark.parametrize("size", [20_000, 300_000])
def test_a_disk_that_fills_leaves_the_last_report(report, small_files, tmp_path, size):
    assert report()[0] == 0
    before = contents(tmp_path / "out")
    assert max(map(len, before.values())) > 20_000
    small_files(size)
    code, err = report()
    assert code == 8, err
    assert "File too large" in err
    assert "the last report is untouched" in err
    assert "Traceback" not in err
    assert contents(tmp_path / "out") == before
    assert [p.name for p in tmp_path.iterdir() if p.name.startswith(".out")] == []
