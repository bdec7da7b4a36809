"""What ``talipes compare`` prints: what is different since the last report, and why."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import date
from functools import partial
from pathlib import Path
from typing import Any

import pandas as pd

from analytics.analyses.indicators import estimates
from analytics.analyses.restated import Changes, Restated, State, build_state, compare, pack, unpack
from analytics.definitions.custom import Catalogue
from analytics.definitions.fingerprint import fingerprint
from analytics.definitions.indicator import Indicator
from analytics.definitions.labels import label
from analytics.display import measures, numbers
from analytics.display.definitions import name_indicator
from analytics.errors import ExportFileError
from analytics.reports.report import Report

#: File of an internal report that the next one is compared with.
STATE = "state.json"

#: Children that a line names; the rest are counted.
N_NAMED = 12


def write_state(report: Report, folder: Path) -> None:
    """Write what the report rests on; only where its policy lets children be listed."""
    if not report.policy.traceable:
        return
    state = build_state(report.cohort, report.catalogue.indicators.values())
    text = json.dumps(pack(state), ensure_ascii=False, separators=(",", ":"))
    (folder / STATE).write_text(text + "\n", encoding="utf-8", newline="\n")


def tell_changes(report: Report, last: Path) -> str:
    """Return what is different from the last report, as plain text.

    Parameters
    ----------
    report
        The report as it would be made now.
    last
        Folder of the last report.

    Raises
    ------
    ExportFileError
        When the folder holds no report.
    """
    if report.policy.traceable and (last / STATE).is_file():
        then = unpack(_read_json(last / STATE))
        now = build_state(report.cohort, report.catalogue.indicators.values())
        return _tell(compare(then, now), then, now, report)
    return _tell_without_state(report, last)


def _tell(changes: Changes, then: State, now: State, report: Report) -> str:
    say = partial(label, report.language)
    days = {
        "then": numbers.day(date.fromisoformat(str(then.cut_off)), report.language),
        "now": numbers.day(date.fromisoformat(str(now.cut_off)), report.language),
    }
    parts = [say("compare.days", **days)]
    for name in ("entered", "left", "changed"):
        feet = getattr(changes, name)
        parts.append(say(f"compare.feet_{name}", n=len(feet)) + _named(feet))
    parts += _windows(changes, report.language)
    for restated in changes.indicators:
        parts += _tell_one(restated, report.catalogue, report.language)
    return "\n".join(parts)


def _windows(changes: Changes, language: str) -> list[str]:
    return [
        label(language, "compare.window", name=name, then=_number(was), now=_number(now))
        for name, (was, now) in changes.windows.items()
    ]


def _tell_one(restated: Restated, catalogue: Catalogue, language: str) -> list[str]:
    if (
        restated.was == restated.now
        and not restated.is_redefined
        and not any(restated.units.values())
    ):
        return []
    known = catalogue.indicators.get(restated.code)
    title = name_indicator(known, language) if known else restated.code
    lines = ["", f"{title}: {_ratio(restated.was)} -> {_ratio(restated.now)}"]
    if restated.is_redefined:
        lines.append(f"  {label(language, 'compare.redefined')}")
    for cause, keys in restated.units.items():
        if keys:
            k, n = restated.causes[cause]
            words = label(language, f"compare.{cause}", n=len(keys))
            lines.append(f"  {words}: {k:+d} / {n:+d}{_named(keys)}")
    return lines


def _named(keys: tuple[str, ...]) -> str:
    if not keys:
        return ""
    more = f", +{len(keys) - N_NAMED}" if len(keys) > N_NAMED else ""
    return f" ({', '.join(keys[:N_NAMED])}{more})"


def _ratio(pair: tuple[int, int] | None) -> str:
    return f"{pair[0]}/{pair[1]}" if pair else "-"


def _number(value: float | None) -> str:
    return "-" if value is None else f"{value:g}"


def _tell_without_state(report: Report, last: Path) -> str:
    """Compare what any report holds: fingerprint, inputs and the estimates of its pages."""
    say = partial(label, report.language)
    provenance = _read_json(last / "provenance.json")
    blocks = _read_json(last / "results.json")
    now = fingerprint(report.settings.protocol, report.catalogue.changed)
    same = provenance.get("fingerprint") == now
    then = _find_estimates(blocks)
    asked = [i for i in report.catalogue.indicators.values() if i.code in then]
    parts = [
        say("compare.days", then=provenance.get("cut_off", "-"), now=report.settings.cut_off),
        say("compare.same_definitions" if same else "compare.other_definitions"),
        say("compare.no_state"),
        "",
    ]
    return "\n".join([*parts, *_tell_estimates(asked, then, report)])


def _tell_estimates(
    asked: list[Indicator], then: Mapping[str, float | None], report: Report
) -> list[str]:
    if not asked:
        return []
    frame = estimates(report.cohort, asked).frame.set_index("measure")
    lines = []
    for indicator in asked:
        write = partial(measures.write, scale=indicator.scale, language=report.language)
        before, today = (
            "-" if value is None or pd.isna(value) else write(float(value))
            for value in (then[indicator.code], frame.loc[indicator.code, "estimate"])
        )
        if before != today:
            lines.append(f"{name_indicator(indicator, report.language)}: {before} -> {today}")
    return lines


def _find_estimates(blocks: list[Mapping[str, Any]]) -> dict[str, float | None]:
    return {
        str(row["measure"]): row["estimate"]
        for block in blocks
        if block.get("shape") == "estimates" and not block.get("groups")
        for row in block["frame"]
    }


def _read_json(file: Path) -> Any:
    try:
        return json.loads(file.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise ExportFileError(
            f"the last report cannot be read: {error}",
            where=str(file),
            allowed="a folder that 'talipes report' wrote",
            todo="give the folder of the last report",
        ) from error
