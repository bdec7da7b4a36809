"""What readers of an observational study ask for, and where a study's page answers it.

STROBE: von Elm et al. 2007, PLoS Med 4:e296 (cohort studies); RECORD, for routinely collected data:
Benchimol et al. 2015, PLoS Med 12:e1001885. Numbers are theirs, words are ours.
"""

from __future__ import annotations

from dataclasses import dataclass

#: Sections of the page, in order; their words are the labels ``section.<name>``.
SECTIONS = (
    "statement", "flow", "described", "balance", "answer", "subgroup", "definitions", "loss",
    "missing", "models", "next_study", "file", "reporting", "sources",
)  # fmt: skip

#: Places outside the page: the manager's page on records, the end of the page, the command that
#: prints a definition, the dictionary of the analysis file, and what only the authors can write.
ELSEWHERE = ("records_page", "page_end", "define", "dictionary", "authors")


@dataclass(frozen=True)
class ReportingItem:
    """One item of a checklist.

    Parameters
    ----------
    code
        Number of the item in its statement, as ``12a`` or ``6.1``.
    statement
        ``STROBE`` or ``RECORD``.
    where
        Sections or places that answer it.
    """

    code: str
    statement: str
    where: tuple[str, ...]

    @property
    def name(self) -> str:
        """Return the name of its label."""
        return f"{self.statement.lower()}_{self.code.replace('.', '_')}"


def _strobe(code: str, *where: str) -> ReportingItem:
    return ReportingItem(code, "STROBE", where)


def _record(code: str, *where: str) -> ReportingItem:
    return ReportingItem(code, "RECORD", where)


REPORTING_ITEMS: tuple[ReportingItem, ...] = (
    _strobe("1a", "authors"),
    _record("1.1", "page_end", "authors"),
    _record("1.2", "page_end", "authors"),
    _record("1.3", "records_page", "authors"),
    _strobe("1b", "answer", "authors"),
    _strobe("2", "authors"),
    _strobe("3", "statement"),
    _strobe("4", "statement", "answer"),
    _strobe("5", "page_end", "authors"),
    _strobe("6a", "flow"),
    _strobe("6b", "described"),
    _record("6.1", "flow", "define"),
    _record("6.2", "authors"),
    _record("6.3", "records_page"),
    _strobe("7", "statement", "define", "dictionary"),
    _record("7.1", "define", "dictionary"),
    _strobe("8", "dictionary", "page_end"),
    _strobe("9", "balance", "loss", "missing"),
    _strobe("10", "flow", "next_study"),
    _strobe("11", "answer", "described"),
    _strobe("12a", "answer", "sources"),
    _strobe("12b", "subgroup"),
    _strobe("12c", "missing"),
    _strobe("12d", "loss"),
    _strobe("12e", "definitions", "loss", "missing", "models"),
    _record("12.1", "page_end", "authors"),
    _record("12.2", "records_page"),
    _record("12.3", "records_page"),
    _strobe("13a", "flow"),
    _strobe("13b", "flow"),
    _strobe("13c", "flow"),
    _record("13.1", "flow", "records_page"),
    _strobe("14a", "described", "balance"),
    _strobe("14b", "described", "missing"),
    _strobe("14c", "answer"),
    _strobe("15", "answer"),
    _strobe("16a", "answer", "models"),
    _strobe("16b", "described", "subgroup"),
    _strobe("16c", "authors"),
    _strobe("17", "subgroup", "definitions", "loss", "missing", "models"),
    _strobe("18", "answer", "authors"),
    _strobe("19", "loss", "missing", "definitions", "authors"),
    _record("19.1", "missing", "loss", "authors"),
    _strobe("20", "authors"),
    _strobe("21", "authors"),
    _strobe("22", "authors"),
    _record("22.1", "file", "page_end"),
)
