"""Make a report: the list of steps from settings to a folder of pages and files."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from analytics.definitions.policies import POLICIES, Policy
from analytics.errors import QuestionError
from analytics.reports.agreement import check_blocks, refuse_faults
from analytics.reports.chapters import Chapter, all_blocks, read_chapter
from analytics.reports.comparing import write_state
from analytics.reports.fixing import build_records_to_fix
from analytics.reports.folder import PROVENANCE, check_replaceable, hash_file, replacing
from analytics.reports.page import build_page
from analytics.reports.prepared import store
from analytics.reports.provenance import build_provenance
from analytics.reports.report import Report
from analytics.reports.run import Run, run_notebooks
from analytics.reports.settings import Settings
from analytics.reports.tables import build_tables

NOTEBOOKS = Path(__file__).resolve().parents[2] / "notebooks"

#: Chapters of the manager's page, in reading order, and of the funder's.
NETWORK = (
    "08_quarterly_report",
    "01_records_received",
    "03_quality_indicators",
    "04_time_to_relapse",
    "05_casts_and_severity",
    "06_clinics",
    "07_quarterly_trends",
)
FUNDER = ("09_funder_summary",)

#: Joins the manager's page where the settings state what was spent.
VALUE = "12_value"

#: The funder's page is always under this policy, whoever the rest is for.
FUNDER_AUDIENCE = "public"

Tell = Callable[[str], None]


@dataclass(frozen=True)
class _Made:
    """What the files are written from."""

    report: Report
    network: tuple[Chapter, ...]
    funder: tuple[Chapter, ...]

    @property
    def failures(self) -> list[str]:
        return [
            f"{c.name}: {reason}" for c in (*self.network, *self.funder) for reason in c.failures
        ]


def list_steps(settings: Settings) -> tuple[str, ...]:
    """Return the steps that ``produce`` tells of, in about their order."""
    return ("records", "cohort", *_network(settings), *FUNDER, "files")


def _network(settings: Settings) -> tuple[str, ...]:
    return (*NETWORK, VALUE) if settings.spending else NETWORK


def produce(settings: Settings, out: Path, *, tell: Tell = lambda step: None) -> None:
    """Make every page and file of a report, and put them in place of the last one.

    Parameters
    ----------
    settings
        The programme's settings.
    out
        Folder of the report.
    tell
        Called with the name of each of ``list_steps`` when it is done.

    Raises
    ------
    QuestionError
        After all else was made, when a question could not be answered.
    BalanceError
        When two tables contradict each other; the last report stays.
    """
    check_replaceable(out)
    report = Report(settings, POLICIES[settings.audience])
    made = _answer(report, tell)
    for chapters in (made.network, made.funder):
        refuse_faults(check_blocks(all_blocks(chapters)), report.language)
    with replacing(out) as folder:
        _write_files(made, folder)
    tell("files")
    if made.failures:
        raise QuestionError(
            f"{len(made.failures)} of the report's questions could not be answered",
            where="; ".join(made.failures),
            allowed="every cell of every notebook runs",
            todo="the rest was made; the page says at each place what is missing",
        )


def _answer(report: Report, tell: Tell) -> _Made:
    """Run the notebooks on one cohort and read what they show."""
    with tempfile.TemporaryDirectory(prefix="talipes-") as work:
        records = report.records
        tell("records")
        cohort = report.cohort
        tell("cohort")
        variable = store(Path(work), report.settings, records=records, cohort=cohort)
        network = _network(report.settings)
        names = (*network, *FUNDER)
        runs = [Run(NOTEBOOKS / f"{n}.ipynb", _parameters(report.settings, n)) for n in names]
        executed = dict(
            zip(names, run_notebooks(runs, environment=variable, tell=tell), strict=True)
        )
    return _Made(
        report,
        _chapters(executed, network, audience=report.settings.audience, language=report.language),
        _chapters(executed, FUNDER, audience=FUNDER_AUDIENCE, language=report.language),
    )


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


def _write_files(made: _Made, folder: Path) -> None:
    report = made.report
    blocks = all_blocks(made.network)
    everything = [*blocks, *all_blocks(made.funder)]
    for name, chapters, policy in (
        ("network.html", made.network, report.policy),
        ("funder.html", made.funder, POLICIES[FUNDER_AUDIENCE]),
    ):
        provenance = _provenance(report, policy, chapters)
        _write_text(folder / name, build_page(chapters, provenance))
    (folder / "tables.xlsx").write_bytes(build_tables(blocks, report.settings))
    if report.policy.traceable:
        workbook = build_records_to_fix(report.records, report.settings)
        (folder / "records_to_fix.xlsx").write_bytes(workbook)
    _write_json(folder / "results.json", [_without_picture(block) for block in everything])
    write_state(report, folder)
    provenance = _provenance(report, report.policy, (*made.network, *made.funder))
    written = {path.name: hash_file(path) for path in sorted(folder.iterdir())}
    made_at = datetime.now(UTC).isoformat(timespec="seconds")
    _write_json(folder / PROVENANCE, provenance | {"files": written, "made_at": made_at})


def _provenance(report: Report, policy: Policy, chapters: Sequence[Chapter]) -> dict[str, Any]:
    own = report.catalogue.changed
    return build_provenance(report.settings, policy, report.records, _seeds(chapters), own)


def _seeds(chapters: Sequence[Chapter]) -> list[int]:
    seeds = (block["context"].get("seed") for chapter in chapters for block in chapter.blocks)
    return [seed for seed in seeds if seed is not None]


def _without_picture(block: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in block.items() if name != "svg"}


def _write_text(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8", newline="\n")


def _write_json(path: Path, tree: object) -> None:
    _write_text(path, json.dumps(tree, ensure_ascii=False, allow_nan=False, indent=1) + "\n")
