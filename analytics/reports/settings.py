"""The settings of a programme: one TOML file, read once, every key checked."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

from analytics.definitions.burden import Burden, Spending, build_burden
from analytics.definitions.labels import languages
from analytics.definitions.policies import POLICIES
from analytics.definitions.protocol import Protocol, build_protocol
from analytics.display.terms import clean
from analytics.errors import SettingsError
from analytics.intake.engine import Engine
from analytics.reports import setting_work
from analytics.reports.setting_tables import read_spending
from analytics.reports.setting_values import day, needed, one_of, some_of, text, unknown_key

#: Sections of the file and the keys that each may hold; the empty name is the top of the file.
KEYS: dict[str, tuple[str, ...]] = {
    "": (
        "programme", "source", "clinics", "corrections", "protocol", "policy", "indicator",
        "spending", "published", "files", "work",
    ),
    "programme": (
        "name", "cut_off", "started_on", "language", "identity_key", "identity_key_env",
    ),
    "source": ("path", "map"),
    "policy": ("audience",),
    "files": ("formats", "clinic_formats"),
    "work": setting_work.KEYS,
    "spending": ("period", "currency", "amount"),
}  # fmt: skip

#: Kinds of file that a page can be made into besides HTML.
FORMATS = ("pdf", "docx")

_PLACES = {"": "top of the file", "source": "[[source]]", "spending": "[[spending]]"}


@dataclass(frozen=True)
class SourceFile:
    """One export and the source map that reads it, as full paths."""

    path: Path
    source_map: Path


@dataclass(frozen=True)
class Settings:
    """What a programme's settings file says, with the command line's words on top.

    Parameters
    ----------
    file
        The settings file, as a full path.
    name
        Name of the programme.
    cut_off
        The day as of which is reported.
    extracted_on
        The day on which the exports were made: the cut-off of the file, unless a later one is
        given. A report as of an earlier day does not make the visits since then faults.
    started_on
        First day of the programme; None when not stated.
    language, audience
        Language of the pages and who reads them.
    sources
        Exports with their maps.
    clinics
        Table of the clinics; None when there is none.
    corrections
        File of corrections that came back from clinics; None when there is none.
    protocol
        Clinical windows in force.
    identity_key
        Secret of the keyed pseudonyms; never printed or written.
    own_indicators
        Sections ``[indicator.<code>]`` as they stand; ``definitions.custom`` reads them.
    spending
        What was spent, by period and currency.
    burden
        Published numbers in force.
    engine
        Where the work on exports is done and what is kept of it; it changes no number.
    formats, clinic_formats
        Kinds of file besides HTML: of the network's and the funder's page, of pages of clinics.
    """

    file: Path
    name: str
    cut_off: date
    extracted_on: date
    started_on: date | None
    language: str
    audience: str
    sources: tuple[SourceFile, ...]
    clinics: Path | None
    protocol: Protocol
    identity_key: str = field(repr=False)
    own_indicators: Mapping[str, Any] = field(default_factory=dict)
    spending: tuple[Spending, ...] = ()
    burden: Burden = field(default_factory=Burden)
    engine: Engine = Engine()
    corrections: Path | None = None
    formats: tuple[str, ...] = FORMATS
    clinic_formats: tuple[str, ...] = ()


def read_settings(
    file: str | Path,
    *,
    cut_off: str | date | None = None,
    audience: str | None = None,
    language: str | None = None,
) -> Settings:
    """Return the settings of a file; what is given beside it stands above the file.

    Parameters
    ----------
    file
        TOML file; paths in it are relative to its folder.
    cut_off, audience, language
        Values that replace those of the file; None or an empty text leaves the file's.

    Raises
    ------
    SettingsError
        When the file is missing or unreadable, a key is unknown or missing, or a value is not
        allowed.
    """
    path = Path(file)
    tree = _read_toml(path)
    _refuse_unknown_keys(tree, path)
    programme = tree.get("programme", {})
    policy, files = tree.get("policy", {}), tree.get("files", {})
    where = f"{path.name}, [programme]"
    given = {"cut_off": cut_off, "language": language}
    merged = programme | {key: value for key, value in given.items() if value}
    reported_on = day(needed(merged, "cut_off", where), "cut_off", where)
    settings = Settings(
        file=path.resolve(),
        name=clean(text(needed(programme, "name", where), "name", where)),
        cut_off=reported_on,
        extracted_on=max(reported_on, day(programme.get("cut_off", reported_on), "cut_off", where)),
        started_on=day(programme["started_on"], "started_on", where)
        if "started_on" in programme
        else None,
        language=one_of(merged.get("language", "en"), "language", languages()),
        audience=one_of(audience or policy.get("audience", "internal"), "audience", POLICIES),
        sources=_sources(tree, path),
        clinics=_beside(path, tree["clinics"], "clinics") if "clinics" in tree else None,
        protocol=build_protocol(tree.get("protocol", {}), where=f"{path.name}, [protocol]"),
        identity_key=_identity_key(programme, where),
        own_indicators=_section(tree, "indicator", path),
        spending=read_spending(tree.get("spending", []), f"{path.name}, [[spending]]"),
        burden=build_burden(_section(tree, "published", path), where=f"{path.name}, [published]"),
        engine=setting_work.read_work(_section(tree, "work", path), path),
        corrections=_beside(path, tree["corrections"], "corrections")
        if tree.get("corrections")
        else None,
        formats=some_of(files.get("formats", list(FORMATS)), "formats", FORMATS, path.name),
        clinic_formats=some_of(
            files.get("clinic_formats", []), "clinic_formats", FORMATS, path.name
        ),
    )
    _check_order_of_days(settings, where)
    return settings


def _section(tree: dict[str, Any], name: str, path: Path) -> dict[str, Any]:
    section = tree.get(name, {})
    if not isinstance(section, dict):
        raise SettingsError(
            f"'{name}' is {section!r}, not a section",
            where=path.name,
            todo=f"write [{name}...] on its own line, with single brackets",
        )
    return section


def _read_toml(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise SettingsError(
            f"the settings file cannot be read: {error.strerror or error}",
            where=str(path),
            allowed="a TOML file that exists and may be read",
            todo="check the path; synthetic_data/programme.toml is an example",
        ) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise SettingsError(
            f"the settings file is not TOML: {error}",
            where=str(path),
            allowed="TOML text in UTF-8, such as: cut_off = 2025-12-31",
            todo="correct that line; texts stand in double quotes, dates without quotes",
        ) from error


def _refuse_unknown_keys(tree: dict[str, Any], path: Path) -> None:
    for section, keys in KEYS.items():
        part = tree if section == "" else tree.get(section, {})
        place = _PLACES.get(section, f"[{section}]")
        for table in part if isinstance(part, list) else [part]:
            if not isinstance(table, dict):
                raise SettingsError(
                    f"'{section}' is {part!r}, not a section",
                    where=path.name,
                    allowed=f"a section with {', '.join(keys)}",
                    todo=f"write {place} on its own line",
                )
            for key in table:
                if key not in keys:
                    raise unknown_key(key, keys, f"{path.name}, {place}")


def _sources(tree: dict[str, Any], path: Path) -> tuple[SourceFile, ...]:
    where = f"{path.name}, [[source]]"
    tables = tree.get("source", [])
    if not isinstance(tables, list) or not tables:
        raise SettingsError(
            "no export is named",
            where=where,
            allowed="one section [[source]] with path and map for each export",
            todo="add it; synthetic_data/programme.toml shows two",
        )
    return tuple(
        SourceFile(
            _beside(path, needed(table, "path", where), "path"),
            _beside(path, needed(table, "map", where), "map"),
        )
        for table in tables
    )


def _beside(path: Path, value: Any, key: str) -> Path:
    return (path.resolve().parent / text(value, key, path.name)).resolve()


def _identity_key(programme: dict[str, Any], where: str) -> str:
    variable = programme.get("identity_key_env")
    from_environment = os.environ.get(variable, "") if isinstance(variable, str) else ""
    key = from_environment or programme.get("identity_key", "")
    if not isinstance(key, str) or not key:
        named = f"and the environment variable '{variable}' is empty" if variable else ""
        raise SettingsError(
            f"there is no key for the pseudonyms of children {named}".strip(),
            where=where,
            allowed='identity_key = "..." or identity_key_env = "NAME_OF_A_VARIABLE"',
            todo="set one; keep the same key from quarter to quarter, and keep it secret",
        )
    return key


def _check_order_of_days(settings: Settings, where: str) -> None:
    if settings.started_on and settings.started_on > settings.cut_off:
        raise SettingsError(
            f"the cut-off {settings.cut_off} lies before the start {settings.started_on}",
            where=where,
            allowed="a cut-off on or after started_on",
            todo="correct one of the two days",
        )
