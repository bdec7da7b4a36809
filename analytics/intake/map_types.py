"""The parts of a source map, as frozen values; the file format is told in ``intake.maps``."""

from __future__ import annotations

from dataclasses import dataclass, field

SHAPES = ("long", "wide", "fhir")
SCOPES = ("network", "clinic")
UNMAPPED = ("stop", "ledger")


@dataclass(frozen=True)
class FileSettings:
    """How the file is written.

    Parameters
    ----------
    encoding
        Encoding of a text file.
    delimiter
        One character between the cells of a text file.
    sheet
        Sheet of a workbook; empty takes the only one.
    member
        File inside a zip archive; empty takes the only one.
    header_line
        Line of the headings, counted from 1; lines above are titles.
    header_lines
        How many lines of headings there are from that one on. The heading of a column is what
        stands above it on all of them; a blank cell of an upper line takes the text at its left,
        as under a merged cell.
    number_doubled
        Whether a heading that stands over several columns is numbered: "Date", "Date (2)".
    total_rows
        First cell of rows that are totals and no records.
    """

    encoding: str = "utf-8"
    delimiter: str = ","
    sheet: str = ""
    member: str = ""
    header_line: int = 1
    header_lines: int = 1
    number_doubled: bool = False
    total_rows: tuple[str, ...] = ()

    @property
    def last_header_line(self) -> int:
        """Return the line after which the rows begin."""
        return self.header_line + self.header_lines - 1


@dataclass(frozen=True)
class ChildKey:
    """What names a child.

    Parameters
    ----------
    id
        Headings whose texts together name a child; they are keyed and not stored.
    scope
        "network" or "clinic": how far they are unique.
    link
        Headings (such as names) that are keyed only to find one child under two numbers.
    """

    id: tuple[str, ...]
    scope: str = "network"
    link: tuple[str, ...] = ()


@dataclass(frozen=True)
class DateSettings:
    """How dates are written.

    Parameters
    ----------
    formats
        Made of YYYY, YY, MM, MON (name of the month), DD, HH, mm, ss; the first that fits is taken.
    columns
        Formats of one ``table.column``, in place of ``formats``.
    placeholders
        Dates (YYYY-MM-DD) that mean missing.
    two_digit_years_from
        First year of the hundred that YY can mean.
    serials
        1900 or 1904 where bare numbers are days of a spreadsheet; 0 where they are not.
    """

    formats: tuple[str, ...] = ("YYYY-MM-DD",)
    columns: dict[str, tuple[str, ...]] = field(default_factory=dict)
    placeholders: tuple[str, ...] = ("1900-01-01", "9999-12-31")
    two_digit_years_from: int = 1980
    serials: int = 0


@dataclass(frozen=True)
class AgeSettings:
    """How ages are written, where there is no birth date (``columns.children`` has ``age``).

    Parameters
    ----------
    at
        ``table.column`` of the day on which the age was told.
    unit
        Unit of a number that stands alone: days, weeks, months or years; empty: it has none.
    """

    at: str = "children.enrolled_on"
    unit: str = ""


@dataclass(frozen=True)
class Group:
    """A group of headings that gives one visit for each number and foot."""

    name: str
    columns: dict[str, str]
    constants: dict[str, str] = field(default_factory=dict)
    first: int = 0
    last: int = 0

    @property
    def numbers(self) -> range:
        """Return what ``{n}`` stands for; a group that is not repeated has one number."""
        return range(self.first, self.last + 1)


@dataclass(frozen=True)
class SourceMap:
    """One exporter's headings, codes and dates; the keys are those of the file.

    Parameters
    ----------
    columns
        Table to canonical column to heading.
    constants
        Table to canonical column to the text that stands for every row.
    groups
        Repeated groups; a long map has one, made of ``columns.visits``.
    sides
        Side to the text that ``{side}`` stands for.
    codes
        Vocabulary or ``table.column`` to canonical code to texts.
    missing, missing_in
        Texts that mean missing, everywhere and in one ``table.column``.
    drop, ignore
        Headings of direct identifiers, and headings that are not used.
    unmapped_codes
        "stop" refuses the export; "ledger" treats the value as unreadable.
    listed_feet_are_affected
        Whether a foot that has visits of its own is affected, where no heading says so.
    doubtful
        Choices that a person has to confirm first: ``load`` refuses a map that has any.
    sha256
        Hash of the file's bytes.
    """

    name: str
    shape: str
    child: ChildKey
    file: FileSettings = FileSettings()
    columns: dict[str, dict[str, str]] = field(default_factory=dict)
    constants: dict[str, dict[str, str]] = field(default_factory=dict)
    groups: tuple[Group, ...] = ()
    sides: dict[str, str] = field(default_factory=dict)
    dates: DateSettings = DateSettings()
    ages: AgeSettings = AgeSettings()
    decimal: str = "."
    codes: dict[str, dict[str, tuple[str, ...]]] = field(default_factory=dict)
    missing: tuple[str, ...] = ("",)
    missing_in: dict[str, tuple[str, ...]] = field(default_factory=dict)
    drop: tuple[str, ...] = ()
    ignore: tuple[str, ...] = ()
    unmapped_codes: str = "stop"
    listed_feet_are_affected: bool = True
    doubtful: tuple[str, ...] = ()
    sha256: str = ""
