"""A cohort as the settled parts of a network, and the numbers of both ways beside each other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd

from analytics.analyses import cast_steps, casts, hazards, incidence, indicators, time_to
from analytics.analyses.in_parts import open_batches
from analytics.analyses.network_numbers import answer_network
from analytics.courses.cohort import Cohort
from analytics.courses.network import Network
from analytics.definitions.custom import Catalogue
from analytics.definitions.indicators import INDICATORS
from analytics.intake.engine import Engine
from analytics.intake.frames import write_frame
from analytics.results import PValue, Result

CATALOGUE = Catalogue(INDICATORS)
SERIAL = Engine("serial")


def write_parts(cohort: Cohort, folder: Path, chosen: Sequence[np.ndarray]) -> Network:
    """The feet of a cohort in parts, each the feet that are chosen for it."""
    places = []
    for number, own in enumerate(chosen):
        place = folder / f"part{number}"
        place.mkdir(parents=True)
        write_frame(place / "cohort.arrow", cohort.feet[own].reset_index(drop=True))
        places.append(place)
    frame = SimpleNamespace(protocol=cohort.protocol)
    work = SimpleNamespace(cut_off=cohort.cut_off, frame=frame, folder=folder)
    return Network(work, tuple(places), ())


def deal_children(cohort: Cohort, n_parts: int, seed: int = 1) -> list[np.ndarray]:
    """Feet of whole children, at random."""
    child = pd.factorize(cohort.feet["child"])[0]
    n_children = int(child.max(initial=-1)) + 1
    part = np.random.default_rng(seed).integers(0, n_parts, n_children)[child]
    return [part == number for number in range(n_parts)]


def in_parts(network: Network, engine: Engine = SERIAL, *, full: int = 1) -> list[Result]:
    """All numbers of a network; every part is a batch of its own unless told."""
    with open_batches(network, engine, full=full) as batches:
        return list(answer_network(batches, CATALOGUE, lambda step: None))


def in_memory(cohort: Cohort, result: Result) -> Result:
    """The same numbers by the analysis in memory."""
    question = result.context.question
    if result.shape.name == "estimates":
        asked = {name: CATALOGUE.compared for name in ("clinics_care", "quarters_care")}
        asked["headline"] = CATALOGUE.headline
        of_area = asked.get(question) or CATALOGUE.in_area(question)
        return indicators.estimates(cohort, of_area, by=result.groups, question=question)
    whole = {
        "relapse_incidence": incidence.curve,
        "correction_curve": cast_steps.curve,
        "relapse_effects": hazards.effects,
        "casts_pirani_start": casts.effects,
    }
    return whole[question](cohort) if question in whole else time_to.curve(cohort, question)


def assert_same(found: Result, expected: Result, *, rtol: float = 1e-10) -> None:
    """Frames, what stands beside them and every word of the context; numbers but for rounding."""
    name = found.name
    assert found.frame.dtypes.to_dict() == expected.frame.dtypes.to_dict(), name
    pd.testing.assert_frame_equal(
        found.frame, expected.frame, check_exact=False, rtol=rtol, atol=1e-12, obj=name
    )
    assert set(found.beside) == set(expected.beside), name
    for key, frame in expected.beside.items():
        its = found.beside[key].reset_index(drop=True)
        pd.testing.assert_frame_equal(its, frame.reset_index(drop=True), check_dtype=False)
    assert replace(found.context, notes=()) == replace(expected.context, notes=()), name
    pairs = zip(found.context.notes, expected.context.notes, strict=True)
    for note, other in pairs:
        assert note.key == other.key, name
        for word, value in other.values.items():
            same = note.values[word]
            if isinstance(value, PValue | float):
                np.testing.assert_allclose(float(same), float(value), rtol=1e-7)
            else:
                assert same == value, (name, word)
