"""Single values of a settings file: what each must be, and the message when it is not."""

from __future__ import annotations

import difflib
from datetime import date, datetime
from typing import Any

from analytics.errors import SettingsError


def unknown_key(key: str, keys: tuple[str, ...], where: str) -> SettingsError:
    """Return the error of a key that does not exist, with the nearest one that does."""
    near = difflib.get_close_matches(key, keys, n=1)
    return SettingsError(
        f"there is no setting called '{key}'",
        where=where,
        allowed=", ".join(keys),
        todo=f"write '{near[0]}'?" if near else "take the line out or move it to its section",
    )


def needed(table: dict[str, Any], key: str, where: str) -> Any:
    """Return the value of a key; raises ``SettingsError`` when it is missing."""
    if key not in table:
        raise SettingsError(
            f"the setting '{key}' is missing", where=where, todo=f"add a line: {key} = ..."
        )
    return table[key]


def text(value: Any, key: str, where: str) -> str:
    """Return a text that is not empty, else raise ``SettingsError``."""
    if not isinstance(value, str) or not value.strip():
        raise SettingsError(
            f"'{key}' is {value!r}", where=where, allowed="a text in double quotes", todo="write it"
        )
    return value


def day(value: Any, key: str, where: str) -> date:
    """Return a day of the calendar, else raise ``SettingsError``."""
    if isinstance(value, date) and not isinstance(value, datetime):
        return value
    try:
        return date.fromisoformat(value)
    except (TypeError, ValueError) as error:
        raise SettingsError(
            f"'{key}' is {value!r}, which is not a day",
            where=where,
            allowed="a day of the calendar as YEAR-MONTH-DAY, such as 2025-12-31",
            todo="correct the date",
        ) from error


def one_of(value: Any, key: str, allowed: Any) -> str:
    """Return a value that is one of the allowed, else raise ``SettingsError``."""
    if value not in tuple(allowed):
        near = difflib.get_close_matches(str(value), tuple(allowed), n=1)
        raise SettingsError(
            f"'{key}' is {value!r}",
            where=f"settings file or --{key}",
            allowed=", ".join(allowed),
            todo=f"write '{near[0]}'?" if near else "choose one of these",
        )
    return str(value)


def some_of(value: Any, key: str, allowed: tuple[str, ...], where: str) -> tuple[str, ...]:
    """Return a list whose members are all allowed, else raise ``SettingsError``."""
    if not isinstance(value, list) or not set(map(str, value)) <= set(allowed):
        raise SettingsError(
            f"'{key}' is {value!r}",
            where=f"{where}, [files]",
            allowed=f"a list of {', '.join(allowed)}; an empty list for none",
            todo=f'write it like: {key} = ["{allowed[0]}"]',
        )
    return tuple(dict.fromkeys(value))
