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
from dataclasses import dataclass, field
from functools import reduce
from typing import Any

import numpy as np
import pandas as pd

from analytics.definitions.plain_columns import (
    Truth,
    Values,
    as_side,
    as_truth,
    compare,
    days_between,
    read_column,
)
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
    stands_well = {id(name) for node in ast.walk(tree) for name in _compared_with_missing(node)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Name) and node.id == "missing" and id(node) not in stands_well:
            raise _refuse(f"in '{rule}' missing stands elsewhere than after == or !=", where)
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
    truth = Reader(frame, protocol).read(rule)
    return pd.Series(pd.arrays.BooleanArray(truth.yes, ~truth.known), index=frame.index)


@dataclass(frozen=True, eq=False)
class Reader:
    """Reads rules on one frame; each column and each rule is worked out once.

    Parameters
    ----------
    frame
        One row per unit, nullable types, texts also as categories.
    protocol
        Windows in force.
    """

    frame: pd.DataFrame
    protocol: Protocol
    _columns: dict[str, Values] = field(default_factory=dict, repr=False)
    _rules: dict[str, Truth] = field(default_factory=dict, repr=False)

    def read(self, rule: str) -> Truth:
        """Return the truth of a rule for every row; an empty one is true everywhere."""
        if rule not in self._rules:
            value: Any = True
            if rule:
                check_names(rule, self.frame.columns, self.protocol, where="rule")
                value = self._value(parse_rule(rule, where="rule"))
            self._rules[rule] = as_truth(value, len(self.frame))
        return self._rules[rule]

    def values(self, name: str) -> Values:
        """Return a column of the frame, or the days between two of its dates."""
        if name not in self._columns:
            if name in self.frame.columns:
                found = read_column(self.frame[name])
            elif _BETWEEN.fullmatch(name) is None:
                raise KeyError(name)
            else:
                _, first, second = columns_behind(name)
                found = days_between(self.values(first), self.values(second))
            self._columns[name] = found
        return self._columns[name]

    def _truth(self, node: ast.expr) -> Truth:
        return as_truth(self._value(node), len(self.frame))

    def _value(self, node: ast.expr) -> Any:
        match node:
            case ast.Constant(value=value):
                return value
            case ast.UnaryOp(op=ast.USub(), operand=ast.Constant(value=value)):
                return -value  # type: ignore[operator]
            case ast.UnaryOp(operand=operand):
                return ~self._truth(operand)
            case ast.BoolOp(op=op, values=parts):
                join = operator.and_ if isinstance(op, ast.And) else operator.or_
                return reduce(join, map(self._truth, parts))
            case ast.Compare(left=left, ops=ops, comparators=others):
                pairs = zip(ops, [left, *others], others, strict=False)
                return reduce(operator.and_, (self._pair(type(op), *two) for op, *two in pairs))
            case ast.Name(id=name):
                return self._named(name)
        raise AssertionError(f"unchecked node {node}")

    def _named(self, name: str) -> Any:
        if name in _CONSTANTS:
            return _CONSTANTS[name]
        if name in self.frame.columns or _BETWEEN.fullmatch(name):
            return self.values(name)
        return getattr(self.protocol, name)

    def _pair(self, op: type[ast.cmpop], left: ast.expr, right: ast.expr) -> Truth:
        side = as_side(self._value(left))
        if isinstance(right, ast.Name) and right.id == "missing":
            known = side.known if isinstance(side, Values) else np.ones(len(self.frame), dtype=bool)
            return Truth(~known, known) if op is ast.Eq else Truth(known, ~known)
        return compare(_COMPARE[op], side, as_side(self._value(right)), len(self.frame))


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


def _compared_with_missing(node: ast.AST) -> list[ast.expr]:
    """Return what ends a comparison by == or !=, where ``missing`` may stand."""
    if isinstance(node, ast.Compare) and isinstance(node.ops[-1], ast.Eq | ast.NotEq):
        return [node.comparators[-1]]
    return []


def _refuse(found: str, where: str) -> SettingsError:
    return SettingsError(found, where=where, allowed=_ALLOWED, todo="write the rule with these")
