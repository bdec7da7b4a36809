"""The pages of a report as PDF and DOCX beside them, made by two processes at a time."""

from __future__ import annotations

import gc
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

from analytics.definitions.labels import label
from analytics.errors import OutputError
from analytics.reports.docx_file import About, build_docx
from analytics.reports.memory import give_back
from analytics.reports.pdf_file import build_pdf
from analytics.reports.settings import Settings

N_AT_ONCE = 2


@dataclass(frozen=True)
class Sheet:
    """A page that was written: its file, its title and its figures as PNG in base 64."""

    page: Path
    title: str
    pictures: tuple[str, ...]


@dataclass(frozen=True)
class Papers:
    """What became of the files: what could not be made for want of a library, and what failed."""

    missing: tuple[str, ...] = ()
    failed: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Job:
    """One file to make."""

    sheet: Sheet
    ending: str
    about: About

    def run(self) -> None:
        # Everything that a page needs is needed to its end: looking for what is not costs a fifth.
        gc.disable()
        html = self.sheet.page.read_text(encoding="utf-8")
        body = _MAKERS[self.ending](html, self)
        self.sheet.page.with_suffix(f".{self.ending}").write_bytes(body)
        del html, body
        give_back()


_MAKERS: dict[str, Callable[[str, _Job], bytes]] = {
    "pdf": lambda html, job: build_pdf(html),
    "docx": lambda html, job: build_docx(html, job.sheet.pictures, job.about),
}


def write_papers(sheets: Sequence[Sheet], settings: Settings, endings: Sequence[str]) -> Papers:
    """Write each page as a file of each kind, beside the page and under its name.

    Parameters
    ----------
    sheets
        Pages, the longest first.
    settings
        For the words that a file says of itself.
    endings
        Of ``pdf`` and ``docx``.

    Raises
    ------
    OSError
        When a file cannot be written.
    """
    with making_papers(sheets, settings, endings) as finish:
        return finish()


@contextmanager
def making_papers(
    sheets: Sequence[Sheet], settings: Settings, endings: Sequence[str]
) -> Iterator[Callable[[], Papers]]:
    """Begin what ``write_papers`` does, and give what waits for its end: other work goes beside.

    Parameters
    ----------
    sheets, settings, endings
        As of ``write_papers``.
    """
    jobs = [_Job(sheet, ending, _about(sheet, settings)) for sheet in sheets for ending in endings]
    if not jobs:
        yield Papers
        return
    pool = ProcessPoolExecutor(min(N_AT_ONCE, len(jobs)), mp_context=get_context("spawn"))
    try:
        made = [(job, pool.submit(job.run)) for job in jobs]
        yield lambda: _sort_out(
            [(job, error) for job, future in made if (error := future.exception()) is not None]
        )
    finally:
        pool.shutdown(cancel_futures=True)


def _about(sheet: Sheet, settings: Settings) -> About:
    return About(
        title=sheet.title,
        programme=settings.name,
        # The month alone: pages for the public show no days.
        cut_off=settings.cut_off.replace(day=1),
        language=settings.language,
        page_word=label(settings.language, "page.print_page"),
    )


def _sort_out(errors: Sequence[tuple[_Job, BaseException]]) -> Papers:
    missing: list[str] = []
    failed: list[str] = []
    for job, error in errors:
        if isinstance(error, OutputError):
            missing.append(str(error))
        elif isinstance(error, OSError):
            raise error
        else:
            name = job.sheet.page.with_suffix(f".{job.ending}").name
            failed.append(f"{name}: {type(error).__name__}: {error}")
    return Papers(tuple(dict.fromkeys(missing)), tuple(failed))
