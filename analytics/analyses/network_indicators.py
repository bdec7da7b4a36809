"""Indicators of a network in parts, for the network or by columns of the foot."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from analytics.analyses.groups import code_groups, list_groups
from analytics.analyses.in_parts import Asked
from analytics.analyses.indicator_rows import Counts, count_rows, read_counts
from analytics.analyses.indicators import count_children, describe_indicators, lay_out
from analytics.analyses.network_curves import KNOWN_BY, columns_of
from analytics.analyses.told import Told, add_told, stand_beside, tell_feet
from analytics.analyses.view import View
from analytics.courses.cohort import Cohort
from analytics.definitions.endpoints import ENDPOINTS
from analytics.definitions.indicator import Indicator
from analytics.definitions.indicator_checks import find_names
from analytics.definitions.rules import columns_behind
from analytics.results import ESTIMATES, Result


@dataclass(frozen=True, eq=False)
class Groups:
    """Asks which groups there are, how many children each clinic has, and how many feet."""

    by: tuple[str, ...]

    @property
    def columns(self) -> frozenset[str]:
        """Return the columns of the foot that it looks at."""
        return KNOWN_BY | set(self.by)

    def look(self, view: View) -> tuple[tuple[Told, pd.DataFrame, pd.DataFrame], list[Any]]:
        """Return feet counted, their groups, and children by clinic."""
        feet = view.cohort.feet
        groups = _as_texts(feet[list(self.by)].dropna().drop_duplicates())
        return (tell_feet(feet), groups, _as_texts(count_children(feet))), []


@dataclass(frozen=True, eq=False)
class Listed:
    """The groups of a network, in order, and what is known of all its feet."""

    labels: pd.DataFrame
    told: Told
    children: pd.DataFrame


@dataclass(frozen=True, eq=False)
class OneIndicator:
    """Asks for the feet under an indicator, by group."""

    indicator: Indicator
    labels: pd.DataFrame

    @property
    def columns(self) -> frozenset[str]:
        """Return the columns of the foot that it looks at, with windows and days between two."""
        names = [c for name in find_names(self.indicator) for c in columns_behind(name)]
        under = ENDPOINTS.get(self.indicator.numerator)
        followed = columns_of(under) if self.indicator.kind == "curve" and under else frozenset()
        return KNOWN_BY | {*names, *self.labels.columns} | followed

    def look(self, view: View) -> tuple[tuple[np.ndarray, Counts], list[Any]]:
        """Return groups and what is counted in each, and the rows that enter the estimate."""
        codes = code_groups(view.cohort.feet, self.labels).to_numpy()
        counted = count_rows(view, self.indicator, codes, len(self.labels))
        # A batch has feet of some tens of clinics, a network of thousands.
        here = np.flatnonzero(np.bincount(codes[codes >= 0], minlength=len(self.labels)))
        counts = {name: values[here] for name, values in counted.counts.items()}
        return (here, counts), [counted.rows]


def _as_texts(frame: pd.DataFrame) -> pd.DataFrame:
    """Return a frame with texts in place of categories, which differ between batches."""
    coded = frame.columns[frame.dtypes == "category"]
    return frame.astype(dict.fromkeys(coded, "string"))


def list_network(asked: Asked, by: Sequence[str]) -> Listed:
    """Return the groups of a network from what batches answered to :class:`Groups`."""
    told, groups, children = zip(*asked.facts, strict=True) if asked.facts else ((), (), ())
    labels = pd.DataFrame(index=[0])
    if by:
        labels = list_groups(groups) if groups else pd.DataFrame(columns=list(by), dtype="string")
    clinics = [count_children(pd.DataFrame(columns=["clinic", "child"], dtype="string")), *children]
    summed = pd.concat(clinics).groupby("clinic")["children"].sum().reset_index()
    return Listed(labels, add_told(told), summed)


def estimates(
    nobody: Cohort, question: str, listed: Listed, answers: Sequence[tuple[Indicator, Asked]]
) -> Result:
    """Return indicators of a network, as ``indicators.estimates``.

    Parameters
    ----------
    nobody
        The network's days and windows.
    question
        Name of the question that these indicators answer together.
    listed
        The groups.
    answers
        Each indicator, and what batches answered to :class:`OneIndicator`.
    """
    names, n_groups = [*listed.labels.columns], len(listed.labels)
    parts = []
    for indicator, asked in answers:
        none = np.empty(0, dtype=np.int64)
        counts = count_rows(View(nobody), indicator, none, n_groups).counts
        for here, told in asked.facts:
            for name, values in told.items():
                counts[name][here] += values
        parts.append(read_counts(indicator, counts, asked.each, nobody.protocol))
    asked_of = [indicator for indicator, _ in answers]
    context = stand_beside(
        describe_indicators(nobody, asked_of, question), listed.told, events=False
    )
    beside = {"children": listed.children} if "clinic" in names else {}
    frame = lay_out(parts, names, listed.labels)
    return Result(ESTIMATES, frame, context, tuple(names), beside)
