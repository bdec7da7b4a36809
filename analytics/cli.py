"""The command line: one short function per command, and one message per error."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Annotated

import typer

from analytics.errors import AnalyticsError, QuestionError

app = typer.Typer(
    name="talipes",
    help="Programme-level outcomes of clubfoot treatment, from the case records of many clinics.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

SettingsFile = Annotated[
    Path, typer.Argument(metavar="SETTINGS", help="The programme's settings, a TOML file.")
]
CutOff = Annotated[
    str, typer.Option(metavar="DATE", help="Report as of this day (YEAR-MONTH-DAY).")
]


@app.command(short_help="Make the pages and workbooks of a report.")
def report(
    settings: SettingsFile,
    cut_off: CutOff = "",
    audience: Annotated[str, typer.Option(help="Who reads it: internal or public.")] = "",
    language: Annotated[str, typer.Option(help="Language of the pages, such as en.")] = "",
    out: Annotated[Path, typer.Option(help="Folder to write.")] = Path("report"),
) -> None:
    """Make the pages and workbooks of a report from a programme's exports."""
    from analytics.reports.console import follow_steps
    from analytics.reports.produce import list_steps, produce
    from analytics.reports.settings import read_settings

    read = read_settings(settings, cut_off=cut_off, audience=audience, language=language)
    with follow_steps(list_steps(read), read.language) as tell:
        remarks = produce(read, out, tell=tell)
    for remark in remarks:
        typer.echo(remark, err=True)
    _tell(f"The report is in {out}")


@app.command(short_help="Read the exports only; print balance and faults.")
def check(settings: SettingsFile, cut_off: CutOff = "") -> None:
    """Read the exports only: print the balance of rows and the worst faults."""
    from analytics.reports.console import tell_check
    from analytics.reports.report import Report

    typer.echo(tell_check(Report.open(settings, cut_off=cut_off)))


@app.command(short_help="Write one row per foot, with a dictionary.")
def cohort(
    settings: SettingsFile,
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="File to write, ending in .csv or .parquet.")
    ],
    cut_off: CutOff = "",
) -> None:
    """Write the analysis file, one row per foot, with a dictionary of its columns beside it."""
    from analytics.reports.analysis_file import check_ending, write_analysis_file
    from analytics.reports.report import Report

    check_ending(file)
    opened = Report.open(settings, cut_off=cut_off)
    for path in write_analysis_file(opened.cohort, file, opened.language):
        _tell(f"Written: {path}")


@app.command(short_help="Write all records as open files, in parts.")
def records(
    settings: SettingsFile,
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder to write.")],
    cut_off: CutOff = "",
) -> None:
    """Write records, ledger and feet as Parquet in parts, each table with its Table Schema."""
    from analytics.reports.report import Report, read_exports
    from analytics.reports.store import settle_and_store

    opened = Report.open(settings, cut_off=cut_off)
    settle_and_store(read_exports(opened.settings), opened.settings.engine, folder)
    _tell(f"Written: {folder}")


@app.command(short_help="Write all numbers as tables, whatever the size.")
def numbers(
    settings: SettingsFile,
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder to write.")],
    cut_off: CutOff = "",
    audience: Annotated[str, typer.Option(help="Who reads it: internal or public.")] = "",
    language: Annotated[str, typer.Option(help="Language of the words, such as en.")] = "",
) -> None:
    """Write indicators, curves, hazard ratios and casts of a network that no memory holds."""
    from analytics.reports.console import follow_steps
    from analytics.reports.numbers import NUMBER_STEPS, produce_numbers
    from analytics.reports.settings import read_settings

    read = read_settings(settings, cut_off=cut_off, audience=audience, language=language)
    with follow_steps(NUMBER_STEPS, read.language) as tell:
        produce_numbers(read, folder, tell)
    _tell(f"Written: {folder}")


@app.command(short_help="Print what a figure counts.")
def define(
    code: Annotated[
        str, typer.Argument(metavar="[CODE]", help="Code of a figure; all without one.")
    ] = "",
    settings: Annotated[
        Path | None,
        typer.Option(metavar="SETTINGS", help="Settings with changed windows and indicators."),
    ] = None,
    language: Annotated[str, typer.Option(help="Language of the words, such as en.")] = "",
) -> None:
    """Print the rule or formula of a figure, its windows, range and source; or list them all."""
    from analytics.reports.define import tell_definition

    language = language or _language()
    typer.echo(tell_definition(code, settings=settings, language=language))


@app.command(short_help="List the children and lines behind a number.")
def trace(
    indicator: Annotated[str, typer.Argument(metavar="INDICATOR", help="Code of an indicator.")],
    settings: SettingsFile,
    clinic: Annotated[str, typer.Option(help="Only of this clinic.")] = "",
    quarter: Annotated[str, typer.Option(help="Only of this quarter, such as 2025Q1.")] = "",
    cut_off: CutOff = "",
    out: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write a .csv or .parquet instead.")
    ] = None,
) -> None:
    """List the feet behind an indicator with their source lines; inside the programme only."""
    from analytics.reports.analysis_file import check_ending
    from analytics.reports.report import Report
    from analytics.reports.tracing import tell_trace, trace_lines, write_trace

    if out is not None:
        check_ending(out)
    opened = Report.open(settings, cut_off=cut_off)
    lines = trace_lines(opened, indicator, clinic=clinic, quarter=quarter)
    if out is None:
        typer.echo(tell_trace(opened, indicator, lines))
        return
    write_trace(lines, out)
    _tell(f"Written: {out}")


@app.command(short_help="Check a printed table for numbers that do not agree.")
def recompute(
    table: Annotated[Path, typer.Argument(metavar="TABLE", help="A CSV file, typed in.")],
    language: Annotated[str, typer.Option(help="Language of the words, such as en.")] = "",
) -> None:
    """Work out a table from elsewhere: shares from counts, feet from sides, totals from parts."""
    from analytics.reports.recomputing import read_printed_table, tell_faults

    text, agrees = tell_faults(read_printed_table(table), language or _language())
    typer.echo(text)
    if not agrees:
        raise typer.Exit(QuestionError.exit_code)


@app.command(short_help="Say what is different since the last report, and why.")
def compare(
    settings: SettingsFile,
    last: Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder of the last report.")],
    cut_off: CutOff = "",
) -> None:
    """Say which children entered, matured or changed since the last report, and which rules."""
    from analytics.reports.comparing import tell_changes
    from analytics.reports.report import Report

    typer.echo(tell_changes(Report.open(settings, cut_off=cut_off), last))


@app.command(short_help="Say whether a report's numbers come out again.")
def rerun(
    provenance: Annotated[
        Path, typer.Argument(metavar="PROVENANCE", help="provenance.json of a report.")
    ],
    settings: Annotated[
        Path | None,
        typer.Option(metavar="SETTINGS", help="The settings, where the report does not say."),
    ] = None,
) -> None:
    """Make a report again in a temporary folder and name every number that differs."""
    from analytics.reports.rerun import rerun as make_again
    from analytics.reports.rerun import tell_rerun

    found = make_again(provenance, settings_file=settings)
    typer.echo(tell_rerun(found))
    if found.numbers:
        raise typer.Exit(QuestionError.exit_code)


@app.command(short_help="State a hypothesis and answer it.")
def hypothesis(
    settings: SettingsFile,
    exposure: Annotated[str, typer.Option(help="Column of the foot.")],
    outcome: Annotated[str, typer.Option(help="Endpoint, indicator, or casts.")],
    adjust: Annotated[str, typer.Option(help="Columns held equal, with commas between.")] = "",
    subgroup: Annotated[str, typer.Option(help="Column in whose levels to look apart.")] = "",
    cut_off: CutOff = "",
    audience: Annotated[str, typer.Option(help="Who reads it: internal or public.")] = "",
    language: Annotated[str, typer.Option(help="Language of the page, such as en.")] = "",
    register: Annotated[
        str, typer.Option(metavar="FILE", help="Register; beside SETTINGS without one.")
    ] = "",
    out: Annotated[Path, typer.Option(help="Folder to write.")] = Path("hypothesis"),
) -> None:
    """Register a hypothesis, then answer it: page, tables, one row per foot, provenance."""
    from analytics.definitions.hypotheses import Hypothesis
    from analytics.reports.settings import read_settings
    from analytics.reports.study_report import produce_study

    read = read_settings(settings, cut_off=cut_off, audience=audience, language=language)
    names = tuple(name.strip() for name in adjust.split(",") if name.strip())
    stated = Hypothesis(exposure, outcome, names, subgroup)
    produce_study(read, stated, out, register_file=register)
    _tell(f"The answer is in {out}")


@app.command(short_help="Add the answers of clinics to the corrections.")
def answers(
    settings: SettingsFile,
    workbooks: Annotated[
        list[Path], typer.Argument(metavar="WORKBOOK...", help="Answered workbooks.")
    ],
) -> None:
    """Add what clinics answered in their workbooks of records to fix to the corrections."""
    from analytics.reports.answers import add_answers
    from analytics.reports.settings import read_settings

    path, n_added = add_answers(read_settings(settings), workbooks)
    _tell(f"{n_added} corrections added to {path}. They are applied at the next report.")


@app.command(name="map", short_help="Propose a source map for an unknown export.")
def propose_map(
    export: Annotated[Path, typer.Argument(metavar="EXPORT", help="A file of case records.")],
    out: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write the map here instead of printing it.")
    ] = None,
) -> None:
    """Propose a source map: headings, dates, codes; what the file cannot settle is asked."""
    from analytics.intake.draft import draft_map, save_draft
    from analytics.reports.speaking import tell_draft

    text = tell_draft(draft_map(export), _language())
    if out is None:
        typer.echo(text)
        return
    save_draft(text, out)
    _tell(f"Written: {out}. Settle what stands under doubtful, then name it in the settings.")


def main() -> None:
    """Run a command; an error that a person can act on is one message and its own exit code."""
    from analytics.reports.speaking import speak, tell_error

    language = _language()
    command = typer.main.get_command(app)
    speak(command, language)
    try:
        command()
    except AnalyticsError as error:
        typer.echo(tell_error(str(error), language), err=True)
        sys.exit(error.exit_code)


def _tell(text: str) -> None:
    """Print what the command line says itself, in its language."""
    from analytics.definitions.code_words import in_words_of

    typer.echo(in_words_of(_language(), text))


def _language() -> str:
    from analytics.reports.speaking import find_language

    return find_language(sys.argv[1:], os.environ)
