"""Errors that reach a person: what was found, where, what was allowed, what to do."""

from __future__ import annotations


class AnalyticsError(Exception):
    """A problem that a user can act on; each child has its own exit code.

    Parameters
    ----------
    found
        What was found, in one sentence.
    where
        File, sheet, line or setting; empty when it is nowhere in particular.
    allowed
        What would have been accepted.
    todo
        What to do next.
    """

    exit_code = 1

    def __init__(self, found: str, *, where: str = "", allowed: str = "", todo: str = "") -> None:
        self.found, self.where, self.allowed, self.todo = found, where, allowed, todo
        super().__init__(str(self))

    def __str__(self) -> str:
        labelled = (("where", self.where), ("allowed", self.allowed), ("to do", self.todo))
        lines = [f"  {label}: {text}" for label, text in labelled if text]
        return "\n".join([self.found, *lines])

    def __reduce__(self) -> tuple[object, ...]:
        # Keyword-only arguments need this to cross a process boundary.
        return _rebuild, (type(self), self.found, self.where, self.allowed, self.todo)


def _rebuild(
    kind: type[AnalyticsError], found: str, where: str, allowed: str, todo: str
) -> AnalyticsError:
    return kind(found, where=where, allowed=allowed, todo=todo)


class SettingsError(AnalyticsError):
    """The settings file has an unknown key or a value that is not allowed."""

    exit_code = 3


class ExportFileError(AnalyticsError):
    """An export or one of its sheets is missing, empty or unreadable."""

    exit_code = 4


class SourceMapError(AnalyticsError):
    """A source map and its export disagree: unknown heading, unmapped code, unknown key."""

    exit_code = 5


class RecordsError(AnalyticsError):
    """The records cannot carry the work asked for (for example none is left)."""

    exit_code = 6


class BalanceError(AnalyticsError):
    """Rows read are not rows kept plus merged plus quarantined: a fault of this program."""

    exit_code = 7


class OutputError(AnalyticsError):
    """The output could not be written."""

    exit_code = 8


class QuestionError(AnalyticsError):
    """One question of a report failed while the rest was made."""

    exit_code = 9


class WorkError(AnalyticsError):
    """The work on a part was cut off: a process died, or the cluster does not answer."""

    exit_code = 11


class NotEstimableError(AnalyticsError):
    """The data cannot answer; ``reason`` is a stable code, ``counts`` what was there."""

    exit_code = 10

    def __init__(self, reason: str, **counts: int | float | str) -> None:
        self.reason, self.counts = reason, counts
        shown = ", ".join(f"{name}={value}" for name, value in counts.items())
        super().__init__(f"not estimable: {reason}" + (f" ({shown})" if shown else ""))

    def __reduce__(self) -> tuple[object, ...]:
        return _rebuild_reason, (self.reason, self.counts)


def _rebuild_reason(reason: str, counts: dict[str, int | float | str]) -> NotEstimableError:
    return NotEstimableError(reason, **counts)
