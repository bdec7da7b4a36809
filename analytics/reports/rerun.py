"""Whether the same numbers come out again: a report's provenance checked, rerun and compared."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

from analytics.definitions.hypotheses import Hypothesis
from analytics.definitions.labels import label
from analytics.definitions.policies import POLICIES
from analytics.errors import QuestionError, SettingsError
from analytics.reports.folder import PROVENANCE, hash_file
from analytics.reports.produce import produce
from analytics.reports.settings import Settings, read_settings
from analytics.reports.study_report import produce_study

RESULTS = "results.json"

#: Differences that are named; the rest are counted.
N_NAMED = 40

Tell = Callable[[str], None]


@dataclass(frozen=True)
class Difference:
    """One thing that is not as it was: what, then, and now."""

    what: str
    then: str
    now: str


@dataclass(frozen=True)
class Rerun:
    """What came of a rerun.

    Parameters
    ----------
    surroundings
        What differs in exports, settings, definitions and versions.
    numbers
        Numbers that differ; empty where all are the same.
    n_numbers
        Numbers compared.
    language
        Language of the report.
    """

    surroundings: tuple[Difference, ...]
    numbers: tuple[Difference, ...]
    n_numbers: int
    language: str


def rerun(
    provenance: Path, *, settings_file: Path | None = None, tell: Tell = lambda step: None
) -> Rerun:
    """Make a report again in a temporary folder and compare every number of its results.

    Parameters
    ----------
    provenance
        ``provenance.json`` of a report, with ``results.json`` beside it.
    settings_file
        The settings; where the provenance says when None.
    tell
        Called with the name of each step done.

    Raises
    ------
    SettingsError
        When the provenance or the results cannot be read or were changed since, or the settings
        are not found.
    """
    then = _read(provenance)
    before = _read_results(provenance, then)
    file = settings_file or _find_settings(provenance, then)
    settings = read_settings(
        file,
        cut_off=then["cut_off"],
        audience=then["policy"]["audience"],
        language=then["language"],
    )
    with tempfile.TemporaryDirectory(prefix="talipes-") as work:
        out = Path(work) / "report"
        _make(settings, then, out, tell)
        now = json.loads((out / PROVENANCE).read_text(encoding="utf-8"))
        after = json.loads((out / RESULTS).read_text(encoding="utf-8"))
    numbers, n = compare_results(before, after)
    return Rerun(tuple(find_surroundings(then, now)), tuple(numbers), n, settings.language)


def tell_rerun(found: Rerun) -> str:
    """Return what came of a rerun as plain text."""
    say = partial(label, found.language)
    parts = []
    if found.surroundings:
        parts.append(say("rerun.surroundings"))
        parts += _lines(found.surroundings, found.language)
    else:
        parts.append(say("rerun.same_surroundings"))
    n, of = len(found.numbers), found.n_numbers
    if found.numbers:
        parts.append(say("rerun.differ", n=n, of=of))
        parts += _lines(found.numbers, found.language)
    else:
        parts.append(say("rerun.same", of=of))
    return "\n".join(parts)


def find_surroundings(then: Mapping[str, Any], now: Mapping[str, Any]) -> Iterator[Difference]:
    """Yield what two provenances say otherwise of exports, settings, definitions and versions."""
    for key in ("program", "versions", "settings", "fingerprint", "policy", "cut_off", "language",
                "programme", "started_on", "seeds", "own_indicators",
                "protocol_differences", "balance"):  # fmt: skip
        yield from _differ(key, then.get(key), now.get(key))
    one, two = (tree.get("inputs", []) for tree in (then, now))
    for number in range(max(len(one), len(two))):
        was, is_now = (part[number] if number < len(part) else {} for part in (one, two))
        name = str(was.get("file") or is_now.get("file"))
        for field in ("sha256", "map_sha256", "n_rows"):
            yield from _differ(f"{name}, {field}", was.get(field), is_now.get(field))


def compare_results(
    before: Sequence[Mapping[str, Any]], after: Sequence[Mapping[str, Any]]
) -> tuple[list[Difference], int]:
    """Return the numbers that differ between two reports, and how many were compared.

    A block is known by page, name and place among those of that name; within it every count, figure
    and code of every row is compared as it stands, and what is withheld as well.
    """
    one, two = _cells(before), _cells(after)
    found = [
        Difference(" ".join(key), _shown(one.get(key)), _shown(two.get(key)))
        for key in dict.fromkeys([*one, *two])
        if one.get(key, _ABSENT) != two.get(key, _ABSENT)
    ]
    return found, len(one)


_ABSENT = object()

#: Sizes that stand beside a table.
_SIZES = ("n_feet", "n_children", "n_clinics", "n_events")


def _cells(blocks: Sequence[Mapping[str, Any]]) -> dict[tuple[str, ...], Any]:
    seen: dict[tuple[str, str], int] = {}
    cells: dict[tuple[str, ...], Any] = {}
    for block in blocks:
        key = (str(block.get("page", "")), str(block["name"]))
        seen[key] = seen.get(key, 0) + 1
        name = (*key, *((f"({seen[key]})",) if seen[key] > 1 else ()))
        for size in _SIZES:
            cells[(*name, size)] = block["context"].get(size)
        keys = [*block.get("groups", ()), *_NAMES]
        for place, (row, hidden) in enumerate(
            zip(block["frame"], block["hidden"], strict=True), start=1
        ):
            told = [str(row[k]) for k in keys if row.get(k) not in (None, "")]
            where = (*name, f"row {place}", *([f"({', '.join(told)})"] if told else []))
            for column, value in row.items():
                cells[(*where, column)] = (value, bool(hidden.get(column)))
    return cells


#: Columns that name a row.
_NAMES = ("measure", "step", "reason", "state", "time", "term", "level", "period", "unit",
          "variable", "item")  # fmt: skip


def _shown(value: Any) -> str:
    if isinstance(value, tuple):
        value, is_hidden = value
        return "withheld" if is_hidden else json.dumps(value, ensure_ascii=False)
    return "-" if value is None else json.dumps(value, ensure_ascii=False)


def _differ(what: str, then: Any, now: Any) -> Iterator[Difference]:
    if isinstance(then, Mapping) and isinstance(now, Mapping):
        for key in dict.fromkeys([*then, *now]):
            if key != "file":  # a place, not a content
                yield from _differ(f"{what}, {key}", then.get(key), now.get(key))
    elif then != now:
        yield Difference(what, _shown(then), _shown(now))


def _lines(differences: Sequence[Difference], language: str) -> list[str]:
    lines = [
        label(language, "rerun.line", what=d.what, then=d.then, now=d.now)
        for d in differences[:N_NAMED]
    ]
    rest = len(differences) - len(lines)
    return [*lines, *([label(language, "rerun.more", n=rest)] if rest else [])]


def _make(settings: Settings, then: Mapping[str, Any], out: Path, tell: Tell) -> None:
    """Make the report again; what could not be answered is compared as it stands."""
    # Other formats hold the same numbers.
    plain = replace(settings, formats=(), clinic_formats=())
    try:
        if "hypothesis" not in then:
            produce(plain, out, tell=tell)
            return
        statement = then["hypothesis"]["statement"]
        stated = Hypothesis(**statement | {"adjust": tuple(statement["adjust"])})
        # The register is left alone: a rerun states nothing.
        register = str(out.parent / "register.jsonl")
        produce_study(plain, stated, out, register_file=register)
    except QuestionError:
        if not (out / RESULTS).is_file():
            raise


def _find_settings(provenance: Path, then: Mapping[str, Any]) -> Path:
    told = then.get("settings", {}).get("file")
    path = provenance.parent / told if told else None
    if path is None or not path.is_file():
        raise SettingsError(
            "the settings of the report are not found"
            + ("" if told else ": its provenance does not say where they are"),
            where=str(path or provenance),
            allowed="the settings file that the report was made with",
            todo="name it with --settings",
        )
    return path


def _read(provenance: Path) -> dict[str, Any]:
    try:
        tree = json.loads(provenance.read_text(encoding="utf-8"))
        if not {"policy", "cut_off", "language", "files", "inputs"} <= set(tree):
            raise ValueError("it holds no provenance")
        if tree["policy"]["audience"] not in POLICIES:
            raise ValueError(f"the audience '{tree['policy']['audience']}' is unknown")
    except (OSError, ValueError, TypeError, KeyError) as error:
        raise SettingsError(
            f"the provenance of a report cannot be read: {error}",
            where=str(provenance),
            allowed=f"{PROVENANCE} of a report made by 'talipes report' or 'talipes hypothesis'",
            todo="name that file",
        ) from error
    return dict(tree)


def _read_results(provenance: Path, then: Mapping[str, Any]) -> list[dict[str, Any]]:
    file = provenance.with_name(RESULTS)
    wanted = then["files"].get(RESULTS)
    if not file.is_file() or hash_file(file) != wanted:
        raise SettingsError(
            f"{RESULTS} beside the provenance is missing, or is not the one that was written",
            where=str(file),
            allowed=f"a file with the hash {wanted}",
            todo="restore the folder of the report as it was made",
        )
    return list(json.loads(file.read_text(encoding="utf-8")))
