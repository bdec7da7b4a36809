"""A hypothesis stated in a notebook: registered before anyone looks, and told beside the answer."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import asdict, replace
from functools import partial
from pathlib import Path
from typing import Any

from analytics.analyses.hypothesis import derive_study
from analytics.analyses.study import Study, state
from analytics.definitions.fingerprint import fingerprint
from analytics.definitions.hypotheses import Hypothesis
from analytics.definitions.labels import label, labels
from analytics.definitions.reporting_items import REPORTING_ITEMS
from analytics.display import measures, numbers, terms, words
from analytics.display.block import Block
from analytics.display.listing import Listing
from analytics.errors import SettingsError
from analytics.reports.analysis_file import write_analysis_file
from analytics.reports.folder import hash_file
from analytics.reports.registry import REGISTER, Registered, register
from analytics.reports.report import Report
from analytics.results import Phrase

_HASH_SHOWN = 16

#: Files of a study's rows.
FEET = ("feet.csv", "feet.parquet")


def state_hypothesis(report: Report, hypothesis: Hypothesis, *, register_file: str = "") -> Study:
    """Return the study of a hypothesis, written to the register before any outcome is looked at.

    Parameters
    ----------
    report
        Whose cohort is asked.
    hypothesis
        What is asked.
    register_file
        The register; beside the settings file when empty.

    Raises
    ------
    SettingsError, RecordsError, OutputError
        When the hypothesis cannot be asked here, or not be registered; then nothing is written.
    """
    study = state(report.cohort, hypothesis, report.catalogue.indicators)
    return replace(study, notes=(_told(register_in(report, hypothesis, register_file)),))


def register_in(report: Report, hypothesis: Hypothesis, register_file: str = "") -> Registered:
    """Return a hypothesis in the register, added unless it stands there for this cohort."""
    file = Path(register_file) if register_file else report.settings.file.with_name(REGISTER)
    return register(file, hypothesis, cohort=cohort_key(report))


def cohort_key(report: Report) -> str:
    """Return what tells this cohort from others: exports, maps, definitions and cut-off."""
    settings = report.settings
    parts = [settings.cut_off.isoformat(), fingerprint(settings.protocol, report.catalogue.changed)]
    parts += [f"{source.sha256} {source.map_sha256}" for source in report.cohort.totals.sources]
    return hashlib.sha256("\n".join(sorted(parts)).encode("utf-8")).hexdigest()


def tell_statement(report: Report, study: Study) -> Listing:
    """Return what was stated, in words."""
    language, hypothesis = report.language, study.hypothesis
    say = partial(label, language)
    adjust = [terms.column(name, language) for name in hypothesis.adjust]
    lines = {
        "exposure": terms.column(hypothesis.exposure, language),
        "outcome": _outcome(study, language),
        "model": say(f"method.answer_{study.outcome.kind}"),
        "adjust": ", ".join(adjust) or say("stated.nothing"),
        "subgroup": terms.column(hypothesis.subgroup, language)
        if hypothesis.subgroup
        else say("stated.nothing"),
    }
    return _listing(
        report,
        "statement",
        [(say(f"stated.{name}"), text) for name, text in lines.items()],
        notes=[words.say(note, language) for note in study.notes],
    )


def tell_reporting(report: Report) -> Listing:
    """Return every item of STROBE and RECORD with the place that answers it."""
    say = partial(label, report.language)
    lines = [
        (
            f"{item.statement} {item.code}",
            say(f"item.{item.name}"),
            "; ".join(say(f"section.{place}") for place in item.where),
        )
        for item in REPORTING_ITEMS
    ]
    return _listing(report, "reporting", lines, notes=[say("stated.reporting_note")])


def tell_sources(report: Report, blocks: Sequence[Block]) -> Listing:
    """Return, for each result shown, how it was made and where the method is published."""
    language = report.language
    say = partial(label, language)
    lines = []
    for block in blocks:
        context = block.released.context
        reference = context.reference or say("stated.no_source")
        lines.append((block.table.title, words.say(context.method, language), reference))
    return _listing(report, "sources", list(dict.fromkeys(lines)))


def write_feet(report: Report, study: Study, folder: str) -> Listing:
    """Write one row per foot with the columns of the study, and tell the files.

    Parameters
    ----------
    report
        Its policy must allow rows to be listed.
    study
        What was stated.
    folder
        Where to write; nothing is written when empty.

    Raises
    ------
    SettingsError
        When the policy does not allow it.
    """
    if not folder:
        return _listing(report, "file", [], notes=[label(report.language, "stated.not_written")])
    if not report.policy.traceable:
        raise SettingsError(
            f"children may not be listed for the audience '{report.policy.audience}'",
            where="policy of the settings or parameter 'audience'",
            allowed="an audience inside the programme, such as internal",
            todo="write the analysis file with the settings that internal pages are made with",
        )
    feet = derive_study(study)
    cohort = replace(study.cohort, feet=feet)
    paths: dict[Path, None] = {}
    for name in FEET:
        written = write_analysis_file(cohort, Path(folder) / name, report.language)
        paths |= dict.fromkeys(written)
    n_rows = {name: len(feet) for name in FEET}
    lines = [
        (
            path.name,
            numbers.count(n_rows.get(path.name, feet.shape[1]), report.language),
            hash_file(path)[:_HASH_SHOWN],
        )
        for path in paths
    ]
    return _listing(report, "file", lines)


def _told(registered: Registered) -> Phrase:
    entry = registered.entry
    return Phrase(
        "note.stated",
        {
            "at": str(entry["stated_at"]).replace("T", " ").replace("+00:00", " UTC"),
            "number": entry["number"],
            "hash": str(entry["hash"])[:_HASH_SHOWN],
            "of": registered.n_on_cohort,
        },
    )


def _outcome(study: Study, language: str) -> str:
    outcome = study.outcome
    if outcome.indicator is not None:
        own = {i.code: i.title for i in study.indicators.values() if i.title}
        title = own.get(outcome.indicator.code)
        return title or _measure(outcome.indicator.code, language)
    key = "endpoint" if outcome.endpoint else "casts"
    name = f"question.{outcome.code}" if key == "endpoint" else f"level.definition.{outcome.code}"
    return label(language, name)


def _measure(code: str, language: str) -> str:
    known = f"measure.{code}" in labels(language)
    return measures.name_of(code if known else f"{code}.median", language)


def _listing(
    report: Report, name: str, lines: Sequence[tuple[str, ...]], *, notes: Sequence[str] = ()
) -> Listing:
    say = partial(label, report.language)
    heads = tuple((head, say(f"head.{head}")) for head in _HEADS[name])
    return Listing(
        name=name,
        title=say(f"section.{name}"),
        heads=heads,
        lines=tuple(lines),
        audience=report.policy.audience,
        language=report.language,
        notes=tuple(notes),
    )


_HEADS = {
    "statement": ("part", "stated"),
    "reporting": ("item", "asks", "place"),
    "sources": ("result", "method", "source"),
    "file": ("file", "rows", "hash"),
}


def as_parameters(hypothesis: Hypothesis) -> dict[str, Any]:
    """Return a hypothesis as the parameters of the notebook."""
    return asdict(hypothesis) | {"adjust": list(hypothesis.adjust)}
