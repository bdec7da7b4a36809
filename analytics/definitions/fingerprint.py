"""One hash over every definition in force, so that two outputs can be told apart or matched."""

from __future__ import annotations

import hashlib
import importlib
import inspect
import pkgutil
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from functools import cache
from typing import Any

import analytics.definitions as room
from analytics.definitions.indicator import Indicator
from analytics.definitions.protocol import Protocol

#: Characters of the hash that are kept: enough to tell definitions apart, short enough to print.
_LENGTH = 16


@cache
def fingerprint(protocol: Protocol | None = None, own: tuple[Indicator, ...] = ()) -> str:
    """Return the fingerprint of all declared constants and of the windows in force.

    Parameters
    ----------
    protocol
        Windows in force; None stands for the default ones.
    own
        Indicators that a programme added or changed.

    Returns
    -------
    str
        The first characters of a SHA-256, the same on every machine for the same definitions.
    """
    described = [*declared_constants(), f"protocol = {_describe(protocol or Protocol())}"]
    described += sorted(f"own indicator = {_describe(indicator)}" for indicator in own)
    return hashlib.sha256("\n".join(described).encode("utf-8")).hexdigest()[:_LENGTH]


def fingerprint_of(definition: object) -> str:
    """Return the fingerprint of one definition."""
    return hashlib.sha256(_describe(definition).encode("utf-8")).hexdigest()[:_LENGTH]


def declared_constants() -> list[str]:
    """Return one line of text for every public constant of the definitions, sorted."""
    lines = []
    for module in pkgutil.iter_modules(room.__path__):
        members = vars(importlib.import_module(f"{room.__name__}.{module.name}"))
        lines += [
            f"{module.name}.{name} = {_describe(value)}"
            for name, value in members.items()
            if name.isupper() and not name.startswith("_")
        ]
    return sorted(lines)


def _describe(value: Any) -> str:
    """Return text that depends on what a value says, never on where it lies in memory."""
    if is_dataclass(value) and not isinstance(value, type):
        parts = [f"{f.name}={_describe(getattr(value, f.name))}" for f in fields(value)]
        return f"{type(value).__name__}({', '.join(parts)})"
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{_describe(k)}: {_describe(v)}" for k, v in value.items()) + "}"
    if isinstance(value, set | frozenset):
        return "{" + ", ".join(sorted(map(_describe, value))) + "}"
    if isinstance(value, tuple | list):
        return "[" + ", ".join(map(_describe, value)) + "]"
    if inspect.isroutine(value):
        return f"{value.__module__}.{value.__qualname__}: {inspect.getsource(value)}"
    if callable(value) and isinstance(value, type):
        return f"{value.__module__}.{value.__qualname__}"
    return repr(value)
