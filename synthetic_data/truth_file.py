"""Write the truth as TOML: what is in the model, what estimates should cover, what was planted."""

from __future__ import annotations

from pathlib import Path

from synthetic_data.planted import Fault, Row
from synthetic_data.scenario import CUT_OFF, NETWORK, SEED, STARTED_ON

FILE = "truth.toml"

_HEAD = f"""# Written by synthetic_data/generate.py; do not edit.
# Everything here is invented. The demo was drawn from this model; its estimates should cover what
# stands under [exact] and [large_network].

[scenario]
network = "{NETWORK}"
seed = {SEED}
started_on = {STARTED_ON}
cut_off = {CUT_OFF}
"""


def _value(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        return f"{value:.4f}".rstrip("0").rstrip(".") if value % 1 else f"{value:.1f}"
    if isinstance(value, tuple | list):
        return f"[{', '.join(_value(v) for v in value)}]"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{k} = {_value(v)}" for k, v in value.items()) + " }"
    if isinstance(value, int):
        return str(value)
    return '"' + str(value).replace("\\", "\\\\").replace('"', '\\"') + '"'


def _section(name: str, values: dict[str, object]) -> str:
    return "\n".join([f"[{name}]", *(f"{k} = {_value(v)}" for k, v in values.items()), ""])


def _fault(fault: Fault, file: str, sheet: str, line: int) -> str:
    address = {"file": file, "sheet": sheet, "line": line, "piece": fault.piece}
    told = {"id": fault.id, **address, "rule": fault.rule, "fate": fault.fate, "what": fault.what}
    return "\n".join(["[[fault]]", *(f"{k} = {_value(v)}" for k, v in told.items()), ""])


def find_lines(faults: list[Fault], rows: list[Row], first_line: int) -> list[int]:
    """Return the line of each fault's row; rows are told apart by identity, not by content."""
    lines = {id(row): number for number, row in enumerate(rows, start=first_line)}
    return [lines[id(fault.row)] for fault in faults]


def save(
    folder: Path,
    sections: dict[str, dict[str, object]],
    planted: list[tuple[str, str, list[Fault], list[int]]],
) -> None:
    """Write the truth file.

    Parameters
    ----------
    folder
        Where it goes.
    sections
        Section to its values.
    planted
        File, sheet, faults and their lines, of each export.
    """
    parts = [_HEAD, *(_section(name, values) for name, values in sections.items())]
    for file, sheet, faults, lines in planted:
        parts += [_fault(f, file, sheet, n) for f, n in zip(faults, lines, strict=True)]
    (folder / FILE).write_text("\n".join(parts), encoding="utf-8", newline="\n")
