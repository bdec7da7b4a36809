"""Shares by group from counts that add up over parts, for networks whose feet no memory holds.

A cell counts the feet, or children, of one group under one indicator by their verdicts, and the
children alike in how many of their feet answered and how many of these are a yes. Children are
whole in a part, so cells of parts add up to those of the network, and estimates and intervals
follow from the sums exactly as from the feet.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.analyses.groups import find_groups
from analytics.analyses.verdicts import VERDICTS, find_verdicts
from analytics.courses.cohort import Cohort, cohort_of_feet
from analytics.courses.network import Network
from analytics.definitions.indicator import Indicator
from analytics.definitions.protocol import Protocol
from analytics.intake.engine import Engine, working
from analytics.intake.frames import read_frame
from analytics.stats.proportions import patterned_proportion

#: Children alike: feet that answered, and how many of them are a yes.
ALIKE: dict[str, tuple[int, int]] = {f"alike_{m}_{y}": (m, y) for m in (1, 2) for y in range(m + 1)}


@dataclass(frozen=True)
class _Question:
    """What is counted of each part."""

    indicators: tuple[Indicator, ...]
    by: tuple[str, ...]
    cut_off: date
    protocol: Protocol


def count_network(
    network: Network, engine: Engine, indicators: Sequence[Indicator], *, by: Sequence[str]
) -> pd.DataFrame:
    """Return the cells of a network, counted part by part.

    Parameters
    ----------
    network
        Settled parts.
    engine
        Where parts are counted.
    indicators
        Of the kind "share".
    by
        Columns of the foot.

    Returns
    -------
    DataFrame
        ``measure``, the columns of ``by``, ``VERDICTS`` and ``ALIKE``; in order of the first two.
    """
    work = network.work
    asked = _Question(tuple(indicators), tuple(by), work.cut_off, work.frame.protocol)
    kind = "processes" if engine.kind == "auto" and len(network.parts) > 1 else engine.kind
    with working(engine, "serial" if kind == "auto" else kind) as over:
        return add_cells([*over(_count_part, [(part, asked) for part in network.parts])], by)


def _count_part(piece: tuple[Path, _Question]) -> pd.DataFrame:
    place, asked = piece
    feet = read_frame(place / "cohort.arrow")
    cohort = cohort_of_feet(feet, asked.cut_off, asked.protocol)
    return count_cells(cohort, asked.indicators, by=asked.by)


def count_cells(
    cohort: Cohort, indicators: Sequence[Indicator], *, by: Sequence[str]
) -> pd.DataFrame:
    """Return the cells of a cohort; see ``count_network``."""
    names, codes, labels = find_groups(cohort.feet, by)
    parts = [
        labels.reset_index(drop=True).assign(
            measure=indicator.code, **_count(cohort, indicator, codes, len(labels))
        )
        for indicator in indicators
    ]
    counted = ["measure", *names, *VERDICTS, *ALIKE]
    return pd.concat(parts, ignore_index=True)[counted]


def _count(
    cohort: Cohort, indicator: Indicator, codes: pd.Series, n_groups: int
) -> dict[str, np.ndarray]:
    verdict = find_verdicts(cohort, indicator)
    group = codes.loc[verdict.index].to_numpy()
    places = pd.Categorical(verdict, categories=VERDICTS).codes
    cells = {
        name: np.bincount(group[(group >= 0) & (places == place)], minlength=n_groups)
        for place, name in enumerate(VERDICTS)
    }
    answered = (group >= 0) & (places >= VERDICTS.index("no"))
    child = pd.factorize(cohort.feet["child"].loc[verdict.index[answered]])[0]
    of_row, pairs = pd.factorize(group[answered] * (int(child.max(initial=0)) + 1) + child)
    owner = np.asarray(pairs) // (int(child.max(initial=0)) + 1)
    m = np.bincount(of_row, minlength=len(pairs))
    y = np.bincount(of_row, weights=places[answered] == VERDICTS.index("yes"), minlength=len(pairs))
    return cells | {
        name: np.bincount(owner[(m == rows) & (y == yes)], minlength=n_groups)
        for name, (rows, yes) in ALIKE.items()
    }


def add_cells(parts: Sequence[pd.DataFrame], by: Sequence[str]) -> pd.DataFrame:
    """Return the cells of parts together; no child is in two parts."""
    stacked = pd.concat([part for part in parts if len(part)] or parts[:1], ignore_index=True)
    return stacked.groupby(["measure", *by], sort=True).sum().reset_index()


def read_cells(cells: pd.DataFrame, *, level: float = 0.95) -> pd.DataFrame:
    """Return the cells with ``denominator, numerator, estimate, lower, upper``.

    Parameters
    ----------
    cells
        Of a whole network.
    level
        Coverage wanted.
    """
    cell = np.tile(np.arange(len(cells)), len(ALIKE))
    pattern = np.repeat([*ALIKE.values()], len(cells), axis=0).T
    alike = np.concatenate([cells[name].to_numpy() for name in ALIKE])
    found = patterned_proportion(pattern, cell, alike=alike, n_groups=len(cells), level=level)
    return cells.assign(
        denominator=cells["no"] + cells["yes"],
        numerator=cells["yes"],
        estimate=found.estimate,
        lower=found.lower,
        upper=found.upper,
    )
