"""Designs of the models of a network in parts: a first look finds the levels of covariates."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from analytics.analyses import casts
from analytics.analyses.design import (
    Covariate,
    Line,
    Seen,
    add_seen,
    choose_columns,
    find_complete,
    name_terms,
    see_values,
)
from analytics.analyses.hazards import find_late
from analytics.analyses.in_parts import Asked
from analytics.analyses.network_curves import KNOWN_BY, columns_of, reasons_of
from analytics.analyses.told import Told, add_told, tell_feet
from analytics.analyses.view import View
from analytics.courses.cohort import Cohort
from analytics.definitions.endpoints import ENDPOINTS


@dataclass(frozen=True)
class Hazards:
    """Hazard ratios of an endpoint from a landmark on.

    Parameters
    ----------
    endpoint
        Code of an endpoint.
    covariates
        What is compared.
    landmark
        Days after the origin.
    """

    endpoint: str
    covariates: tuple[Covariate, ...]
    landmark: int

    @property
    def columns(self) -> frozenset[str]:
        """Return the columns of the foot that it looks at."""
        own = {covariate.column for covariate in self.covariates}
        return KNOWN_BY | own | columns_of(ENDPOINTS[self.endpoint])

    @property
    def reasons(self) -> tuple[str, ...]:
        """Return why feet may be left out, in order."""
        missing = [f"missing_{covariate.column}" for covariate in self.covariates]
        return (*reasons_of(ENDPOINTS[self.endpoint]), "before_landmark", *missing)

    def find(self, cohort: Cohort) -> tuple[pd.DataFrame, tuple[tuple[str, int], ...]]:
        """Return the feet that enter, and the others counted by reason."""
        rows, early = find_late(cohort, self.endpoint, self.landmark)
        complete, missing = find_complete(rows, self.covariates)
        return complete, early + missing


@dataclass(frozen=True)
class Casts:
    """Rate ratios of casts per point of a score, with further covariates."""

    score: str = "pirani_start"
    adjust: tuple[Covariate, ...] = casts.ADJUSTMENT

    @property
    def covariates(self) -> tuple[Covariate, ...]:
        """Return the score and the further covariates."""
        return (Covariate(self.score), *self.adjust)

    @property
    def columns(self) -> frozenset[str]:
        """Return the columns of the foot that it looks at."""
        own = {covariate.column for covariate in self.covariates}
        return KNOWN_BY | own | {"n_casts", "is_corrected"}

    @property
    def reasons(self) -> tuple[str, ...]:
        """Return why feet may be left out, in order."""
        missing = [f"missing_{covariate.column}" for covariate in self.covariates]
        return (*casts.LEFT_OUT, *missing)

    def find(self, cohort: Cohort) -> tuple[pd.DataFrame, tuple[tuple[str, int], ...]]:
        """Return the feet that enter, and the others counted by reason."""
        feet, unfinished = casts.count_finished(cohort)
        complete, missing = find_complete(feet, self.covariates)
        return complete, unfinished + missing


@dataclass(frozen=True)
class Values:
    """Asks how often each value of a model's covariates is seen."""

    model: Hazards | Casts

    @property
    def columns(self) -> frozenset[str]:
        """Return the columns of the foot that it looks at."""
        return self.model.columns

    def look(self, view: View) -> tuple[tuple[Told, list[Seen]], list[Any]]:
        """Return whom the model counts, and the values."""
        rows, exclusions = self.model.find(view.only(self.columns))
        seen = [see_values(rows, covariate) for covariate in self.model.covariates]
        return (tell_feet(rows, exclusions), seen), []


@dataclass(frozen=True, eq=False)
class Chosen:
    """The design of a network.

    Parameters
    ----------
    told
        Whom it counts.
    seen, lines
        Values and columns of each covariate.
    clinics
        In order: the strata of hazards.
    """

    told: Told
    seen: tuple[Seen, ...]
    lines: tuple[list[Line], ...]
    clinics: tuple[str, ...]

    @property
    def terms(self) -> pd.DataFrame:
        """Return the terms, one row for each column of the matrix."""
        return name_terms(self.lines)

    def constants(self, covariates: Sequence[Covariate]) -> tuple[str, ...]:
        """Return the covariates that do not vary."""
        pairs = zip(covariates, self.lines, strict=True)
        return tuple(covariate.column for covariate, lines in pairs if not lines)


def choose(nobody: Cohort, model: Hazards | Casts, asked: Asked) -> Chosen:
    """Return the design from what batches answered to :class:`Values`."""
    facts = asked.facts or [Values(model).look(View(nobody))[0]]
    told = add_told([part for part, _ in facts], model.reasons)
    seen = tuple(add_seen(parts) for parts in zip(*(part for _, part in facts), strict=True))
    lines = tuple(
        choose_columns(one, covariate)
        for one, covariate in zip(seen, model.covariates, strict=True)
    )
    return Chosen(told, seen, lines, tuple(sorted(told.clinics)))
