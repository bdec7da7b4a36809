"""Paths into FHIR R4 resources, as a source map writes them.

A path is a small part of FHIRPath (HL7 FHIRPath 2.0; element names of HL7 FHIR R4, 4.0.1)::

    Patient.birthDate
    Procedure.encounter.resolve().period.start
    Observation[code=http://example.org/foot|pirani].valueQuantity.value
    Observation.component[code=http://example.org/foot|midfoot].valueQuantity.value

``[element=value]`` keeps what has that value; a code is written "system|code", as in the search
of FHIR (R4, Search, token). ``resolve()`` follows a reference inside the export.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import cache
from typing import Any

from analytics.errors import SourceMapError
from analytics.intake.suggest import suggest

#: Elements of every resource, and of the four that are read (HL7 FHIR R4, resource definitions).
_EVERY = "id meta implicitRules language text contained extension modifierExtension identifier"
ELEMENTS: dict[str, frozenset[str]] = {
    kind: frozenset(f"{_EVERY} {own}".split())
    for kind, own in {
        "Patient": "active name telecom gender birthDate deceasedBoolean deceasedDateTime address "
        "maritalStatus multipleBirthBoolean multipleBirthInteger photo contact communication "
        "generalPractitioner managingOrganization link",
        "Encounter": "status statusHistory class classHistory type serviceType priority subject "
        "episodeOfCare basedOn participant appointment period length reasonCode reasonReference "
        "diagnosis account hospitalization location serviceProvider partOf",
        "Procedure": "instantiatesCanonical instantiatesUri basedOn partOf status statusReason "
        "category code subject encounter performedDateTime performedPeriod performedString "
        "performedAge performedRange recorder asserter performer location reasonCode "
        "reasonReference bodySite outcome report complication complicationDetail followUp note "
        "focalDevice usedReference usedCode",
        "Observation": "basedOn partOf status category code subject focus encounter "
        "effectiveDateTime effectivePeriod effectiveTiming effectiveInstant issued performer "
        "valueQuantity valueCodeableConcept valueString valueBoolean valueInteger valueRange "
        "valueRatio valueSampledData valueTime valueDateTime valuePeriod dataAbsentReason "
        "interpretation note bodySite method specimen device referenceRange hasMember derivedFrom "
        "component",
    }.items()
}

#: Elements that name or describe a person; they are keyed (id, link) or not read at all.
IDENTIFYING = frozenset(
    [
        "identifier",
        "name",
        "telecom",
        "address",
        "contact",
        "photo",
        "display",
        "text",
        "note",
        "asserter",
    ]
)

RESOLVE = "resolve()"

#: What stands between several values of one element, sorted.
BETWEEN = " + "

_STEP = re.compile(r"([A-Za-z]+(?:\(\))?)((?:\[[A-Za-z]+=[^\]]+\])*)(?:\.|$)")
_FILTER = re.compile(r"\[([A-Za-z]+)=([^\]]+)\]")
_MOMENT = re.compile(r"(\d{4}-\d{2}-\d{2})T.*")

Resource = dict[str, Any]
Resolve = Callable[[str], Resource | None]


@dataclass(frozen=True)
class Step:
    """An element by its name, and what it must have to be kept."""

    name: str
    filters: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class Path:
    """A path: the kind of resource, and the steps inside it."""

    text: str
    root: Step
    steps: tuple[Step, ...]

    @property
    def kind(self) -> str:
        """Return the kind of resource that it begins at."""
        return self.root.name

    @property
    def is_identifying(self) -> bool:
        """Return whether it leads to what names a person."""
        return bool(IDENTIFYING & {step.name for step in self.steps})


@cache
def parse_path(text: str) -> Path:
    """Return the steps of a path.

    Raises
    ------
    SourceMapError
        When it cannot be taken apart, or names a resource or element that is not known.
    """
    steps: list[Step] = []
    at = 0
    while at < len(text) and (match := _STEP.match(text, at)):
        steps.append(Step(match[1], tuple(_FILTER.findall(match[2]))))
        at = match.end()
    if at != len(text) or len(steps) < 2 or text.endswith("."):
        raise SourceMapError(
            f"'{text}' is no path into a resource",
            allowed="Kind.element.element, with [element=system|code] and resolve()",
            todo="correct the path in the source map",
        )
    _check_element(steps[0].name, ELEMENTS, text)
    _check_element(steps[1].name, ELEMENTS[steps[0].name], text)
    return Path(text, steps[0], tuple(steps[1:]))


def _check_element(name: str, known: Iterable[str], text: str) -> None:
    if name not in known:
        raise SourceMapError(
            f"FHIR R4 has no '{name}' where the path '{text}' names it",
            allowed=", ".join(sorted(known)),
            todo=suggest(name, known) or "correct the path in the source map",
        )


def find_text(resource: Resource, path: Path, resolve: Resolve) -> str:
    """Return what stands at a path, as text; several values are sorted and joined by " + ".

    Parameters
    ----------
    resource
        The resource; nothing is found where it is of another kind.
    path
        Where to look.
    resolve
        From a reference to its resource; nothing where it is not in the export.
    """
    if resource["resourceType"] != path.kind or not _fits(resource, path.root):
        return ""
    found: list[Any] = [resource]
    for step in path.steps:
        found = [node for node in _walk(found, step, resolve) if _fits(node, step)]
    return BETWEEN.join(sorted({text for node in found for text in _texts(node)} - {""}))


def _walk(nodes: list[Any], step: Step, resolve: Resolve) -> Iterator[Any]:
    for node in nodes:
        if not isinstance(node, dict):
            continue
        if step.name == RESOLVE:
            target = resolve(str(node.get("reference", "")))
            yield from [target] if target is not None else []
        else:
            value = node.get(step.name)
            yield from value if isinstance(value, list) else [value]


def _fits(node: Any, step: Step) -> bool:
    if not step.filters:
        return node is not None
    return isinstance(node, dict) and all(
        wanted in {text for part in _each(node.get(name)) for text in _texts(part)}
        for name, wanted in step.filters
    )


def _each(value: Any) -> list[Any]:
    return value if isinstance(value, list) else [value]


def _texts(node: Any) -> list[str]:
    """Return a value as texts: a code as "system|code", a reference as it is, a moment as its day.

    The day of a moment is that of the clock at the clinic, which the standard writes with its
    offset (HL7 FHIR R4, dateTime).
    """
    if isinstance(node, dict):
        if "value" in node:
            return _texts(node["value"])
        if "coding" in node:
            return [text for coding in _each(node["coding"]) for text in _texts(coding)]
        if "code" in node and isinstance(node["code"], str):
            return [f"{node.get('system', '')}|{node['code']}"]
        return [node["reference"]] if isinstance(node.get("reference"), str) else []
    if node is None or isinstance(node, list):
        return []
    if isinstance(node, bool):
        return ["true" if node else "false"]
    text = " ".join(str(node).split())
    moment = _MOMENT.fullmatch(text)
    return [moment[1] if moment else text]
