"""The page of one hypothesis with its tables, its rows and its provenance, in a folder."""

from __future__ import annotations

import tempfile
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from analytics.analyses.study import state
from analytics.definitions.hypotheses import Hypothesis
from analytics.definitions.policies import POLICIES
from analytics.errors import QuestionError
from analytics.reports.chapters import Chapter, read_chapter
from analytics.reports.folder import PROVENANCE, check_replaceable, hash_files, replacing
from analytics.reports.page import build_page
from analytics.reports.plain import find_seeds, without_picture, write_json, write_text
from analytics.reports.prepared import store
from analytics.reports.produce import NOTEBOOKS
from analytics.reports.provenance import build_provenance, describe_settings
from analytics.reports.report import Report
from analytics.reports.run import Run, run_notebooks
from analytics.reports.settings import Settings
from analytics.reports.stating import as_parameters, register_in
from analytics.reports.tables import build_tables

NOTEBOOK = "10_hypothesis"


def produce_study(
    settings: Settings, hypothesis: Hypothesis, out: Path, *, register_file: str = ""
) -> None:
    """State a hypothesis, answer it, and write page, tables, rows and provenance.

    Parameters
    ----------
    settings
        The programme's settings.
    hypothesis
        What is asked.
    out
        Folder to write; the last one there is replaced when all went well.
    register_file
        Register of hypotheses; beside the settings file when empty.

    Raises
    ------
    SettingsError, RecordsError
        When the hypothesis cannot be asked of this cohort; then it is not registered.
    QuestionError
        After all else was made, when a part could not be answered.
    """
    check_replaceable(out)
    report = Report(settings, POLICIES[settings.audience])
    state(report.cohort, hypothesis, report.catalogue.indicators)
    entry = register_in(report, hypothesis, register_file).entry
    with replacing(out) as folder:
        chapter = _answer(report, hypothesis, folder, register_file=register_file)
        provenance = build_provenance(
            settings,
            report.policy,
            report.cohort.totals,
            find_seeds(chapter.blocks),
            report.catalogue.changed,
        )
        write_text(folder / "hypothesis.html", build_page([chapter], provenance))
        blocks: list[dict[str, Any]] = [{"page": chapter.name} | b for b in chapter.blocks]
        (folder / "tables.xlsx").write_bytes(build_tables(blocks, settings))
        write_json(folder / "results.json", [without_picture(block) for block in blocks])
        more = {
            "hypothesis": entry,
            "settings": describe_settings(settings, out, report.policy),
            "files": hash_files(folder),
            "made_at": datetime.now(UTC).isoformat(timespec="seconds"),
        }
        write_json(folder / PROVENANCE, provenance | more)
    if chapter.failures:
        raise QuestionError(
            f"{len(chapter.failures)} parts of the hypothesis could not be answered",
            where="; ".join(chapter.failures),
            allowed="every cell of the notebook runs",
            todo="the rest was made; the page says at each place what is missing",
        )


def _answer(report: Report, hypothesis: Hypothesis, folder: Path, *, register_file: str) -> Chapter:
    settings = report.settings
    parameters = {
        "settings": str(settings.file),
        "cut_off": settings.cut_off.isoformat(),
        "audience": settings.audience,
        "language": settings.language,
        "register": str(Path(register_file).absolute()) if register_file else "",
        # Rows of children leave only where the policy lets them be listed.
        "out": str(folder) if report.policy.traceable else "",
    }
    run = Run(NOTEBOOKS / f"{NOTEBOOK}.ipynb", parameters | as_parameters(hypothesis))
    with tempfile.TemporaryDirectory(prefix="talipes-") as work:
        variable = store(Path(work), settings, cohort=report.cohort)
        (notebook,) = run_notebooks([run], environment=variable)
    return read_chapter(
        notebook, name=NOTEBOOK, audience=settings.audience, language=settings.language
    )
