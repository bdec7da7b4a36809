"""The restricted language of rules: comparisons, and, or, not, numbers, words and columns.

A rule is an expression such as ``is_corrected and n_casts > casts_many``. A name is a column of
the foot, ``days_<first>_to_<second>`` (days between the columns ``<first>_on`` and
``<second>_on``), a window of the protocol, ``true``, ``false``, or ``missing`` (which may only be
compared with ``==`` and ``!=``). Nothing else can be written, so no code can run from a settings
file. Truth has three values: what rests on a missing value is missing.
"""

from __future__ import annotations

import ast
import difflib
import operator
import re
from collections.abc import Callable, Iterable
from typing import Any

import pandas as pd

from analytics.definitions.protocol import Protocol
from analytics.errors import SettingsError

_COMPARE: dict[type[ast.cmpop], Callable[[Any, Any], Any]] = {
    ast.Eq: operator.eq,
    ast.NotEq: operator.ne,
    ast.Lt: operator.lt,
    ast.LtE: operator.le,
    ast.Gt: operator.gt,
    ast.GtE: operator.ge,
}
_CONSTANTS = {"true": True, "false": False}
_ALLOWED = "column names, numbers, 'words', ==, !=, <, <=, >, >=, and, or, not, brackets"
_BETWEEN = re.compile(r"days_([a-z_]+?)_to_([a-z_]+)")


def parse_rule(rule: str, *, where: str) -> ast.expr:
    """Return the tree of a rule after checking that it holds nothing but the language.

    Raises
    ------
    SettingsError
        When the rule is not an expression or holds something that is not allowed.
    """
    try:
        tree = ast.parse(rule.strip(), mode="eval").body
    except (SyntaxError, ValueError, RecursionError, MemoryError):
        raise _refuse(f"'{rule}' is not a rule", where) from None
    for node in ast.walk(tree):
        if not _is_allowed(node):
            raise _refuse(f"'{rule}' holds {type(node).__name__}, which no rule may", where)
    return tree


def names_in(rule: str) -> tuple[str, ...]:
    """Return the names that a rule mentions, sorted, without constants."""
    tree = parse_rule(rule, where=rule)
    names = {node.id for node in ast.walk(tree) if isinstance(node, ast.Name)}
    return tuple(sorted(names - {"missing", *_CONSTANTS}))


def check_names(rule: str, columns: Iterable[str], protocol: Protocol, *, where: str) -> None:
    """Raise ``SettingsError`` when a rule mentions a name that nobody knows."""
    known = set(columns)
    for name in names_in(rule):
        if name in known or hasattr(protocol, name):
            continue
        if (match := _BETWEEN.fullmatch(name)) and {f"{g}_on" for g in match.groups()} <= known:
            continue
        near = difflib.get_close_matches(name, sorted(known), n=3)
        raise SettingsError(
            f"the rule '{rule}' mentions '{name}', which is no column and no window",
            where=where,
            allowed=f"close to it: {', '.join(near)}" if near else "columns of the foot",
            todo="correct the name; 'talipes cohort' writes a dictionary of all columns",
        )


def evaluate(rule: str, frame: pd.DataFrame, protocol: Protocol) -> pd.Series:
    """Return the truth of a rule for every row.

    Parameters
    ----------
    rule
        The rule; an empty one is true everywhere.
    frame
        One row per unit, nullable types.
    protocol
        Windows in force.

    Returns
    -------
    Series
        Nullable boolean on the index of the frame; missing where a missing value decides.
    """
    if not rule:
        return pd.Series(True, index=frame.index, dtype="boolean")
    check_names(rule, frame.columns, protocol, where="rule")
    value = _value(parse_rule(rule, where="rule"), frame, protocol)
    if isinstance(value, bool):
        return pd.Series(value, index=frame.index, dtype="boolean")
    return value.astype("boolean")


def find_values(name: str, frame: pd.DataFrame) -> pd.Series:
    """Return a column of the frame, or the days between two of its dates."""
    if name in frame.columns:
        return frame[name]
    if _BETWEEN.fullmatch(name) is None:
        raise KeyError(name)
    _, first, second = columns_behind(name)
    return (frame[second] - frame[first]).dt.days.astype("Int64")


def columns_behind(name: str) -> tuple[str, ...]:
    """Return the columns that ``find_values`` may read for a name: itself, or else two days."""
    match = _BETWEEN.fullmatch(name)
    return (name, *(f"{part}_on" for part in match.groups())) if match else (name,)


def _is_allowed(node: ast.AST) -> bool:
    if isinstance(node, ast.Constant):
        return isinstance(node.value, int | float | str) and not isinstance(node.value, bool)
    if isinstance(node, ast.UnaryOp):
        # A minus is for negative numbers only.
        return isinstance(node.op, ast.Not) or isinstance(node.operand, ast.Constant)
    kinds = (ast.BoolOp, ast.And, ast.Or, ast.Not, ast.USub, ast.Compare, ast.Name, ast.Load)
    return isinstance(node, (*kinds, *_COMPARE))


def _refuse(found: str, where: str) -> SettingsError:
    return SettingsError(found, where=where, allowed=_ALLOWED, todo="write the rule with these")


def _value(node: ast.expr, frame: pd.DataFrame, protocol: Protocol) -> Any:
    match node:
        case ast.Constant(value=value):
            return value
        case ast.UnaryOp(op=ast.USub(), operand=ast.Constant(value=value)):
            return -value  # type: ignore[operator]
        case ast.UnaryOp(operand=operand):
            return ~_truth(_value(operand, frame, protocol), frame)
        case ast.BoolOp(op=op, values=parts):
            return _combine(op, [_truth(_value(p, frame, protocol), frame) for p in parts])
        case ast.Compare():
            return _compare(node, frame, protocol)
        case ast.Name(id=name):
            return _named(name, frame, protocol)
    raise AssertionError(f"unchecked node {node}")


def _named(name: str, frame: pd.DataFrame, protocol: Protocol) -> Any:
    if name in _CONSTANTS:
        return _CONSTANTS[name]
    if name in frame.columns or _BETWEEN.fullmatch(name):
        return find_values(name, frame)
    return getattr(protocol, name)


def _truth(value: Any, frame: pd.DataFrame) -> pd.Series:
    if isinstance(value, pd.Series):
        return value.astype("boolean")
    return pd.Series(bool(value), index=frame.index, dtype="boolean")


def _combine(op: ast.boolop, parts: list[pd.Series]) -> pd.Series:
    join = operator.and_ if isinstance(op, ast.And) else operator.or_
    whole = parts[0]
    for part in parts[1:]:
        whole = join(whole, part)
    return whole


def _compare(node: ast.Compare, frame: pd.DataFrame, protocol: Protocol) -> pd.Series:
    sides = [node.left, *node.comparators]
    parts = [
        _compare_pair(type(op), left, right, (frame, protocol))
        for op, left, right in zip(node.ops, sides, sides[1:], strict=False)
    ]
    return _combine(ast.And(), parts)


def _compare_pair(
    op: type[ast.cmpop], left: ast.expr, right: ast.expr, scope: tuple[pd.DataFrame, Protocol]
) -> pd.Series:
    frame, protocol = scope
    if isinstance(right, ast.Name) and right.id == "missing":
        values = _value(left, frame, protocol)
        return (values.isna() if op is ast.Eq else values.notna()).astype("boolean")
    a, b = _value(left, frame, protocol), _value(right, frame, protocol)
    truth = _truth(_COMPARE[op](a, b), frame)
    # Dates compare as false with a missing date; the language says missing.
    for side in (a, b):
        if isinstance(side, pd.Series):
            truth = truth.mask(side.isna())
    return truth
