"""The pages of single clinics: one notebook, run once for each of them."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, cast

from markupsafe import Markup, escape
from nbformat import NotebookNode

from analytics.definitions.labels import label
from analytics.reports import fixing
from analytics.reports.chapters import Chapter, read_chapter
from analytics.reports.one_clinic import file_name
from analytics.reports.page import Link, build_page
from analytics.reports.papers import Sheet
from analytics.reports.prepared import keep, read_kept
from analytics.reports.report import Report

#: The notebook, and the folder of its pages within the report.
NOTEBOOK = "13_clinic_page"
FOLDER = "clinics"


@dataclass(frozen=True)
class ClinicPage:
    """The page of one clinic, laid aside: there may be more of them than memory.

    Parameters
    ----------
    clinic, name
        Its code, and its name with the code.
    title
        Of the page.
    failures
        Of ``Chapter``.
    kept
        File in the work folder with what it shows.
    """

    clinic: str
    name: str
    title: str
    failures: tuple[str, ...]
    kept: Path

    def read(self) -> Chapter:
        """Return what the page shows; the data of its blocks are in no file and left out."""
        return cast(Chapter, read_kept(self.kept))


def list_clinics(report: Report) -> tuple[str, ...]:
    """Return the codes of the clinics that have a page under the report's policy."""
    return report.clinic_file.codes if report.policy.clinic_pages else ()


def keep_page(notebook: NotebookNode, *, report: Report, clinic: str, folder: Path) -> ClinicPage:
    """Lay the page of a clinic aside.

    Parameters
    ----------
    notebook
        The notebook run for it.
    report
        Its report.
    clinic
        Code of the clinic.
    folder
        Work folder of this run alone.

    Raises
    ------
    OutputError
        When the folder takes no more.
    """
    chapter = read_chapter(
        notebook, name=NOTEBOOK, audience=report.settings.audience, language=report.language
    )
    name = report.clinic_file.name_of(clinic)
    words = label(report.language, "clinic_page.page_title", name=name)
    chapter = replace(_titled(chapter, words), blocks=())
    kept = folder / f"{file_name(clinic)}.pickle"
    keep(kept, chapter)
    return ClinicPage(clinic, name, chapter.title, chapter.failures, kept)


def _titled(chapter: Chapter, words: str) -> Chapter:
    """Return the chapter under a title of its own in place of the notebook's."""
    title, *rest = chapter.headings
    before, after = (f">{escape(text)}</h1>" for text in (title.words, words))
    html = Markup(str(chapter.html).replace(before, after, 1))
    return replace(chapter, html=html, headings=(replace(title, words=words), *rest))


def write_pages(
    pages: Sequence[ClinicPage],
    provenance: Mapping[str, Any],
    folder: Path,
    *,
    workbooks: Collection[str] = (),
) -> None:
    """Write a page for each clinic, and nothing where there is none.

    Parameters
    ----------
    pages
        The pages.
    provenance
        Of the report.
    folder
        Of the report; the pages stand in a folder within.
    workbooks
        File names of the workbooks of records to fix; a clinic without a fault has none.
    """
    language = provenance["language"]
    for page in pages:
        around = [Link("../network.html", label(language, "clinic_page.back"))]
        workbook = fixing.workbook_name(page.clinic)
        if workbook in workbooks:
            words = label(language, "clinic_page.workbook")
            around.append(Link(f"../{fixing.FOLDER}/{workbook}", words))
        (folder / FOLDER).mkdir(exist_ok=True)
        text = build_page((page.read(),), provenance, around=around)
        path = folder / FOLDER / file_name(page.clinic)
        path.write_text(text, encoding="utf-8", newline="\n")


def list_links(pages: Sequence[ClinicPage]) -> list[Link]:
    """Return links to the pages from a page beside their folder."""
    return [Link(f"{FOLDER}/{file_name(page.clinic)}", page.name) for page in pages]


def list_sheets(pages: Sequence[ClinicPage], folder: Path) -> list[Sheet]:
    """Return the pages as they were written in the folder of a report."""
    return [
        Sheet(folder / FOLDER / file_name(page.clinic), page.title, page.read().pictures)
        for page in pages
    ]
