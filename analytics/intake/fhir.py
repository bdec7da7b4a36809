"""FHIR R4 resources in NDJSON, as Bulk Data exports write them: each line is a row.

HL7 FHIR R4 (4.0.1), "nd-json" and the resources Patient, Encounter, Procedure and Observation;
HL7 FHIR Bulk Data Access. A file may hold one kind of resource, or several.
"""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path as FilePath
from typing import Any

import numpy as np
import pandas as pd

from analytics.errors import AnalyticsError, ExportFileError
from analytics.intake.fhir_paths import RESOLVE, Path, Resource, find_text, parse_path
from analytics.intake.read import Sheet
from analytics.intake.read_zip import refuse_trap
from analytics.intake.texts import categorise

ENDING = ".ndjson"

KINDS = ("Patient", "Encounter", "Procedure", "Observation")

#: States in which a thing was not done, or not yet (HL7 FHIR R4: EncounterStatus, EventStatus,
#: ObservationStatus).
NOT_DONE = frozenset(
    [
        "planned",
        "arrived",
        "triaged",
        "preparation",
        "not-done",
        "cancelled",
        "entered-in-error",
        "registered",
    ]
)


@dataclass(frozen=True)
class _Line:
    """A line of a file: its number, and the resource on it or why there is none."""

    number: int
    resource: Resource | None
    aside: str | None


def read_resources(path: FilePath, headings: Sequence[str]) -> list[Sheet]:
    """Return one sheet for each file of an export, with the paths of the map as headings.

    Parameters
    ----------
    path
        An NDJSON file, a folder of such, or a zip archive of such.
    headings
        Paths (``intake.fhir_paths``); those that begin with Patient are read from the patient
        whom a resource is about.

    Raises
    ------
    ExportFileError
        When there is no such file, or it holds no line.
    """
    paths = [parse_path(heading) for heading in headings]
    files = {file: (content, [*_parse(content)]) for file, content in _open(path)}
    # A child is told of first by its own resource, whatever the files are called.
    order = sorted(files, key=lambda file: (_rank(files[file][1]), file))
    files = {file: files[file] for file in order}
    known: dict[str, Resource] = {}
    for _, lines in files.values():
        for line in lines:
            if line.resource is not None:
                own = f"{line.resource['resourceType']}/{line.resource.get('id')}"
                known.setdefault(own, line.resource)
    sheets = [
        _make_sheet(file, content, lines, _Finder(known, paths))
        for file, (content, lines) in files.items()
        if lines
    ]
    if not sheets:
        raise ExportFileError(
            "the export holds no resource", where=path.name, todo="export it again"
        )
    return sheets


@dataclass(frozen=True)
class _Finder:
    """The resources of an export by "Kind/id", and the paths that the map reads."""

    known: dict[str, Resource]
    paths: list[Path]

    def resolve(self, reference: str) -> Resource | None:
        """Return the resource of a reference, relative or absolute, in this export."""
        return self.known.get("/".join(reference.split("/_history/")[0].split("/")[-2:]))

    def patient(self, resource: Resource) -> Resource | None:
        """Return the patient whom a resource is about."""
        if resource["resourceType"] == "Patient":
            return resource
        subject = resource.get("subject")
        reference = subject.get("reference") if isinstance(subject, dict) else None
        return self.resolve(reference) if isinstance(reference, str) else None

    def aside(self, resource: Resource) -> str | None:
        """Return the code of what makes a resource no record, or nothing."""
        if resource["resourceType"] not in KINDS:
            return "other_resource"
        if resource.get("status") in NOT_DONE:
            return "not_done"
        dangles = self.patient(resource) is None or any(
            self._dangles(resource, path) for path in self.paths
        )
        return "dangling_reference" if dangles else None

    def _dangles(self, resource: Resource, path: Path) -> bool:
        """Return whether a path of this resource follows a reference that leads nowhere."""
        names = [step.name for step in path.steps]
        if path.kind != resource["resourceType"] or RESOLVE not in names:
            return False
        value = resource.get(names[0])
        reference = value.get("reference") if isinstance(value, dict) else None
        return isinstance(reference, str) and self.resolve(reference) is None

    def unread(self, resource: Resource, texts: list[str]) -> str | None:
        """Return the code for a measurement or procedure of which the map reads nothing."""
        own = [text for path, text in zip(self.paths, texts, strict=True) if path.kind != "Patient"]
        is_read = resource["resourceType"] in ("Patient", "Encounter") or any(own)
        return None if is_read else "other_resource"

    def texts(self, resource: Resource) -> list[str]:
        """Return what stands at each path."""
        patient = self.patient(resource) or resource
        return [
            find_text(patient if path.kind == "Patient" else resource, path, self.resolve)
            for path in self.paths
        ]


def _rank(lines: list[_Line]) -> int:
    """Return the place in reading order of the kind of resource that a file begins with."""
    kinds = [line.resource["resourceType"] for line in lines if line.resource is not None][:1]
    return KINDS.index(kinds[0]) if kinds and kinds[0] in KINDS else len(KINDS)


def _make_sheet(file: str, content: bytes, lines: list[_Line], finder: _Finder) -> Sheet:
    blank = [""] * len(finder.paths)
    aside, rows = [], []
    for line in lines:
        why = line.aside if line.resource is None else finder.aside(line.resource)
        is_known = line.resource is not None and why != "other_resource"
        texts = finder.texts(line.resource or {}) if is_known else blank
        aside.append(why or finder.unread(line.resource or {}, texts))
        rows.append(texts)
    cells = {path.text: categorise([row[i] for row in rows]) for i, path in enumerate(finder.paths)}
    return Sheet(
        file=file,
        sheet="",
        sha256=hashlib.sha256(content).hexdigest(),
        headings=tuple(cells),
        cells=pd.DataFrame(cells, copy=False),
        line=np.array([line.number for line in lines], dtype=np.int64),
        aside=categorise(aside),
    )


def _parse(content: bytes) -> Iterator[_Line]:
    for number, text in enumerate(content.removeprefix(b"\xef\xbb\xbf").split(b"\n"), start=1):
        if text.strip():
            resource = _read_line(text)
            yield _Line(number, resource, None if resource else "malformed_line")


def _read_line(text: bytes) -> Resource | None:
    """Return the resource of a line; nothing where it is none. Numbers stay as they are written."""
    try:
        found = json.loads(
            text.decode("utf-8"), parse_float=str, parse_int=str, parse_constant=_refuse
        )
    except (ValueError, RecursionError):
        return None
    kind = found.get("resourceType") if isinstance(found, dict) else None
    return found if isinstance(kind, str) and kind.isalpha() else None


def _refuse(name: str) -> Any:
    raise ValueError(name)


def _open(path: FilePath) -> Iterator[tuple[str, bytes]]:
    """Yield the name and the bytes of each file of an export, in the order of their names."""
    try:
        if path.is_dir():
            found = [(f"{path.name}/{f.name}", f.read_bytes()) for f in sorted(path.iterdir())
                     if f.suffix.lower() == ENDING]  # fmt: skip
        elif path.suffix.lower() == ".zip":
            found = _unzip(path)
        else:
            found = [(path.name, path.read_bytes())]
    except AnalyticsError:
        raise
    except Exception as error:  # a broken archive raises errors of a dozen kinds
        raise ExportFileError(
            f"the export '{path.name}' cannot be opened ({error})",
            where=str(path),
            todo="check the path in the settings",
        ) from error
    if not found:
        raise ExportFileError(
            f"'{path.name}' holds no file that ends in {ENDING}",
            where=str(path),
            allowed="NDJSON files of FHIR R4 resources, in a folder or a zip archive",
            todo="export it again, or check the path in the settings",
        )
    yield from found


def _unzip(path: FilePath) -> list[tuple[str, bytes]]:
    with zipfile.ZipFile(io.BytesIO(path.read_bytes())) as archive:
        refuse_trap(archive, path.name)
        names = sorted(name for name in archive.namelist() if name.lower().endswith(ENDING))
        return [(f"{path.name}/{name}", archive.read(name)) for name in names]
