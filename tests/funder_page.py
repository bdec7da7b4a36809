"""The funder's page of the demo in a language, from its notebook's cells run in this process."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import nbformat
from demo import FOLDER, demo

from analytics.definitions.policies import POLICIES
from analytics.reports.chapters import Chapter, read_chapter
from analytics.reports.page import build_page
from analytics.reports.provenance import build_provenance
from analytics.reports.report import Report
from analytics.reports.settings import read_settings

NAME = "09_funder_summary"
NOTEBOOK = Path(__file__).parents[1] / "notebooks" / f"{NAME}.ipynb"


@cache
def funder_report(language: str) -> Report:
    """The public report of the demo in a language, on the cohort that all tests share."""
    settings = read_settings(FOLDER / "programme.toml", language=language, audience="public")
    report = Report(settings, POLICIES["public"])
    vars(report).update(cohort=demo().cohort)
    return report


@cache
def funder_chapter(language: str) -> Chapter:
    """The chapter that the notebook shows."""
    notebook = nbformat.read(NOTEBOOK, 4)
    names = {"report": funder_report(language)}
    for cell in notebook.cells:
        is_code = cell.cell_type == "code" and "parameters" not in cell.metadata.get("tags", [])
        if is_code:
            lines = [line for line in cell.source.splitlines() if "Report.open" not in line]
            *before, last = lines
            exec("\n".join(before), names)
            if not last.startswith("report.show"):
                exec(last, names)
                continue
            data = eval(last, names)._repr_mimebundle_()
            cell.outputs = [nbformat.v4.new_output("display_data", data=data)]
    return read_chapter(notebook, name=NAME, audience="public", language=language)


@cache
def funder_page(language: str) -> str:
    """The page as HTML."""
    report = funder_report(language)
    provenance = build_provenance(report.settings, report.policy, report.cohort.totals, [], ())
    return build_page((funder_chapter(language),), provenance, brief=True)
