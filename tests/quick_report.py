"""A report of two or three notebooks of a test's own, to be quick."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import nbformat

from analytics.reports import produce

SETUP = "from analytics.analyses import flow\nfrom analytics.reports.report import Report\n\n"
SETUP += "report = Report.open(settings, cut_off, audience, language)"
SHOW = "report.show(flow.feet_flow(report.cohort))"

_V4 = nbformat.v4


def use_notebooks(monkeypatch, folder: Path, sources: Sequence[str]) -> None:
    """Write a notebook for each kind of page, with these cells, and have reports made of them."""
    folder.mkdir(exist_ok=True)
    for name in ("a_network", "b_funder", "c_clinic"):
        first = 'settings = ""\ncut_off = ""\naudience = ""\nlanguage = ""'
        first += '\nclinic = ""' if name == "c_clinic" else ""
        notebook = _V4.new_notebook()
        notebook.cells = [
            _V4.new_markdown_cell(f"# Title of {name}"),
            _V4.new_code_cell(first, metadata={"tags": ["parameters"]}),
            *map(_V4.new_code_cell, (SETUP, *sources) if name != "c_clinic" else ()),
        ]
        nbformat.write(notebook, folder / f"{name}.ipynb")
    monkeypatch.setattr(produce, "NOTEBOOKS", folder)
    monkeypatch.setattr(produce, "NETWORK", ("a_network",))
    monkeypatch.setattr(produce, "FUNDER", ("b_funder",))
    monkeypatch.setattr(produce, "VALUE", "a_network")
    monkeypatch.setattr(produce, "CLINIC_PAGE", "c_clinic")


def contents(folder: Path) -> dict[str, bytes]:
    """Return the bytes of every file below a folder, by its relative path."""
    files = (path for path in folder.rglob("*") if path.is_file())
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in files}
