"""English texts of the code that a person may read: of errors and the command line."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import analytics

ROOT = Path(analytics.__file__).parent
PARTS = ("found", "where", "allowed", "todo")

#: Faults of the program alone, whose words are for its makers.
FOR_MAKERS = {"AssertionError", "KeyError", "TypeError", "ValueError", "RuntimeError",
              "MeasurementError", "NotEstimableError"}  # fmt: skip


def error_texts() -> dict[str, str]:
    """Return every text of an error with holes for what is put in, and the file it stands in."""
    found = {}
    for file in sorted(ROOT.rglob("*.py")):
        tree = ast.parse(file.read_text(encoding="utf-8"))
        assigned = _assigned(tree)
        for call in (node for node in ast.walk(tree) if isinstance(node, ast.Call)):
            for text in _texts_of(call, assigned):
                found.setdefault(text, str(file.relative_to(ROOT)))
    return {text: file for text, file in found.items() if any(c.isalpha() for c in text)}


def command_texts() -> dict[str, str]:
    """Return the help of every command and option, and what the command line says itself."""
    file = ROOT / "cli.py"
    tree = ast.parse(file.read_text(encoding="utf-8"))
    found: list[str] = []
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef) and node.decorator_list:
            found.append(ast.get_docstring(node) or "")
        if isinstance(node, ast.keyword) and node.arg in ("help", "short_help"):
            found += _templates(node.value, {})
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "_tell":
            found += _templates(node.args[0], {})
    return {text: file.name for text in found if text}


def all_texts() -> list[str]:
    """Return every piece of text that stands anywhere in the code."""
    trees = (ast.parse(file.read_text(encoding="utf-8")) for file in ROOT.rglob("*.py"))
    nodes = (node for tree in trees for node in ast.walk(tree) if isinstance(node, ast.Constant))
    return [node.value for node in nodes if isinstance(node.value, str)]


def _texts_of(call: ast.Call, assigned: dict[str, list[ast.expr]]) -> Iterator[str]:
    name = getattr(call.func, "id", getattr(call.func, "attr", ""))
    named = {word.arg: word.value for word in call.keywords if word.arg in PARTS}
    is_error = name.endswith("Error") and name not in FOR_MAKERS
    if not is_error and not {"allowed", "todo"} & named.keys():
        return
    for value in (*call.args[:1], *named.values()):
        yield from _templates(value, assigned)


def _templates(value: ast.expr, assigned: dict[str, list[ast.expr]]) -> Iterator[str]:
    if isinstance(value, ast.Constant) and isinstance(value.value, str):
        yield value.value
    elif isinstance(value, ast.JoinedStr):
        yield _holed(value)
    elif isinstance(value, ast.IfExp):
        yield from _templates(value.body, assigned)
        yield from _templates(value.orelse, assigned)
    elif isinstance(value, ast.BoolOp):
        for part in value.values:
            yield from _templates(part, assigned)
    elif isinstance(value, ast.Name):
        for part in assigned.get(value.id, []):
            yield from _templates(part, {})


def _holed(value: ast.JoinedStr) -> str:
    text, number = "", 0
    for part in value.values:
        if isinstance(part, ast.Constant):
            text += str(part.value)
        else:
            text += f"{{{number}}}"
            number += 1
    return text


def _assigned(tree: ast.Module) -> dict[str, list[ast.expr]]:
    found: dict[str, list[ast.expr]] = {}
    for node in ast.walk(tree):
        if isinstance(node, ast.Assign):
            for target in node.targets:
                if isinstance(target, ast.Name):
                    found.setdefault(target.id, []).append(node.value)
    return found
