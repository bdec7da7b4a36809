"""Make a report: the list of steps from settings to a folder of pages and files."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

from analytics.definitions.policies import POLICIES, Policy
from analytics.errors import QuestionError
from analytics.reports import clinic_pages
from analytics.reports.agreement import check_blocks, refuse_faults
from analytics.reports.chapters import Chapter, all_blocks, all_pictures, read_chapter
from analytics.reports.clinic_pages import ClinicPage
from analytics.reports.comparing import write_state
from analytics.reports.fixing import write_records_to_fix
from analytics.reports.folder import PROVENANCE, check_replaceable, hash_files, replacing
from analytics.reports.memory import give_back
from analytics.reports.page import build_page
from analytics.reports.papers import Papers, Sheet, making_papers, write_papers
from analytics.reports.plain import find_seeds, without_picture, write_json, write_text
from analytics.reports.prepared import store
from analytics.reports.provenance import build_provenance, describe_settings
from analytics.reports.report import Report
from analytics.reports.run import Run, run_notebooks
from analytics.reports.settings import Settings
from analytics.reports.tables import build_tables

NOTEBOOKS = Path(__file__).resolve().parents[2] / "notebooks"

#: Chapters of the manager's page, in reading order, and of the funder's.
NETWORK = (
    "08_quarterly_report",
    "01_records_received",
    "02_children_and_pathway",
    "03_quality_indicators",
    "04_time_to_relapse",
    "05_casts_and_severity",
    "06_clinics",
    "07_quarterly_trends",
)
FUNDER = ("09_funder_summary",)

#: Joins the manager's page where the settings state what was spent.
VALUE = "12_value"

#: Run once for each clinic, where the policy lets clinics have pages.
CLINIC_PAGE = clinic_pages.NOTEBOOK

#: The funder's page is always under this policy, whoever the rest is for.
FUNDER_AUDIENCE = "public"

Tell = Callable[[str], None]


@dataclass(frozen=True)
class _Made:
    """What the files are written from."""

    report: Report
    network: tuple[Chapter, ...]
    funder: tuple[Chapter, ...]
    clinics: tuple[ClinicPage, ...]

    @property
    def failures(self) -> list[str]:
        chapters = [(chapter.name, chapter) for chapter in (*self.network, *self.funder)]
        told = [(name, chapter.failures) for name, chapter in chapters]
        told += [(f"clinic {page.clinic}", page.failures) for page in self.clinics]
        return [f"{name}: {reason}" for name, failures in told for reason in failures]


def list_steps(settings: Settings) -> tuple[str, ...]:
    """Return the steps that ``produce`` tells of, in about their order."""
    pages = ("clinics",) if POLICIES[settings.audience].clinic_pages else ()
    return ("records", "cohort", *pages, *_network(settings), *FUNDER, "files")


def _network(settings: Settings) -> tuple[str, ...]:
    return (*NETWORK, VALUE) if settings.spending else NETWORK


def produce(settings: Settings, out: Path, *, tell: Tell = lambda step: None) -> tuple[str, ...]:
    """Make every page and file of a report, and put them in place of the last one.

    Parameters
    ----------
    settings
        The programme's settings.
    out
        Folder of the report.
    tell
        Called with the name of each of ``list_steps`` when it is done.

    Returns
    -------
    tuple
        What a person should know though nothing went wrong: files left out for want of a library.

    Raises
    ------
    QuestionError
        After all else was made, when a question could not be answered or a page not be put on
        paper.
    BalanceError
        When two tables contradict each other; the last report stays.
    """
    check_replaceable(out)
    report = Report(settings, POLICIES[settings.audience])
    with tempfile.TemporaryDirectory(prefix="talipes-") as work:
        made = _answer(report, Path(work), tell)
        give_back()
        for chapters in (made.network, made.funder):
            refuse_faults(check_blocks(all_blocks(chapters)), report.language)
        with replacing(out) as folder:
            papers = _write_files(made, folder, out)
    tell("files")
    _tell_failures(made.failures, papers.failed)
    return papers.missing


def _tell_failures(questions: Sequence[str], files: Sequence[str]) -> None:
    if questions:
        raise QuestionError(
            f"{len(questions)} of the report's questions could not be answered",
            where="; ".join((*questions, *files)),
            allowed="every cell of every notebook runs",
            todo="the rest was made; the page says at each place what is missing",
        )
    if files:
        raise QuestionError(
            f"{len(files)} files could not be made from their pages",
            where="; ".join(files),
            allowed="every page can be put on paper",
            todo="the rest was made; print the HTML page from a browser instead",
        )


def _answer(report: Report, work: Path, tell: Tell) -> _Made:
    """Run the notebooks on one cohort and read what they show; pages of clinics are laid aside."""
    settings = report.settings
    _ = report.parts
    tell("records")
    made: dict[str, Any] = {"cohort": report.cohort}
    tell("cohort")
    clinics = clinic_pages.list_clinics(report)
    if clinics:
        made["clinics"] = report.clinic_file
        tell("clinics")
    variable = store(work, settings, **made)
    give_back()
    network = _network(settings)
    names = (*network, *FUNDER)
    runs = [
        Run(
            NOTEBOOKS / f"{name}.ipynb",
            _parameters(settings, name),
            pictures="docx" in settings.formats,
        )
        for name in names
    ]
    runs += _list_clinic_runs(report, clinics, work)
    executed = run_notebooks(runs, environment=variable, tell=tell)
    by_name = dict(zip(names, executed, strict=False))
    return _Made(
        report,
        _chapters(by_name, network, audience=settings.audience, language=report.language),
        _chapters(by_name, FUNDER, audience=FUNDER_AUDIENCE, language=report.language),
        tuple(executed[len(names) :]),
    )


def _list_clinic_runs(report: Report, clinics: Sequence[str], work: Path) -> list[Run]:
    settings = report.settings
    return [
        Run(
            NOTEBOOKS / f"{CLINIC_PAGE}.ipynb",
            _parameters(settings, CLINIC_PAGE) | {"clinic": clinic},
            told_as=f"clinic {clinic} ({number} of {len(clinics)})",
            pictures="docx" in settings.clinic_formats,
            keep=partial(clinic_pages.keep_page, report=report, clinic=clinic, folder=work),
        )
        for number, clinic in enumerate(clinics, start=1)
    ]


def _parameters(settings: Settings, name: str) -> dict[str, str]:
    return {
        "settings": str(settings.file),
        "cut_off": settings.cut_off.isoformat(),
        "audience": FUNDER_AUDIENCE if name in FUNDER else settings.audience,
        "language": settings.language,
    }


def _chapters(
    executed: Mapping[str, Any], names: Sequence[str], *, audience: str, language: str
) -> tuple[Chapter, ...]:
    return tuple(
        read_chapter(
            executed[name],
            name=name,
            audience=audience,
            language=language,
            is_first=name == names[0],
        )
        for name in names
    )


def _write_files(made: _Made, folder: Path, out: Path) -> Papers:
    report = made.report
    blocks = all_blocks(made.network)
    everything = [*blocks, *all_blocks(made.funder)]
    links = clinic_pages.list_links(made.clinics)
    network = _provenance(report, report.policy, made.network)
    write_text(folder / "network.html", build_page(made.network, network, clinics=links))
    funder = _provenance(report, POLICIES[FUNDER_AUDIENCE], made.funder)
    write_text(folder / "funder.html", build_page(made.funder, funder, brief=True))
    sheets = _list_sheets(made, folder)
    with making_papers(sheets, report.settings, report.settings.formats) as finish:
        to_fix: list[str] = []
        if report.policy.traceable:
            to_fix = write_records_to_fix(report.parts.each, report.cohort, report.settings, folder)
        clinic_pages.write_pages(made.clinics, network, folder, workbooks=to_fix)
        (folder / "tables.xlsx").write_bytes(build_tables(blocks, report.settings))
        write_json(folder / "results.json", [without_picture(block) for block in everything])
        write_state(report, folder)
        papers = finish()
    papers = _join(papers, _write_papers_of_clinics(made, folder))
    provenance = _provenance(report, report.policy, (*made.network, *made.funder))
    more = {
        "settings": describe_settings(report.settings, out, report.policy),
        "files": hash_files(folder),
        "made_at": datetime.now(UTC).isoformat(timespec="seconds"),
    }
    write_json(folder / PROVENANCE, provenance | more)
    return papers


def _list_sheets(made: _Made, folder: Path) -> list[Sheet]:
    return [
        Sheet(folder / f"{name}.html", chapters[0].title, all_pictures(chapters))
        for name, chapters in (("network", made.network), ("funder", made.funder))
    ]


def _write_papers_of_clinics(made: _Made, folder: Path) -> Papers:
    settings = made.report.settings
    if not settings.clinic_formats:
        return Papers()
    clinics = clinic_pages.list_sheets(made.clinics, folder)
    return write_papers(clinics, settings, settings.clinic_formats)


def _join(one: Papers, other: Papers) -> Papers:
    missing = dict.fromkeys((*one.missing, *other.missing))
    return Papers(tuple(missing), (*one.failed, *other.failed))


def _provenance(report: Report, policy: Policy, chapters: Sequence[Chapter]) -> dict[str, Any]:
    own, seeds = report.catalogue.changed, find_seeds(all_blocks(chapters))
    return build_provenance(report.settings, policy, report.cohort.totals, seeds, own)
