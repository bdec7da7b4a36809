"""How long until an event: curves, their readings at fixed times, and what goes with them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from analytics.analyses.context import Method, describe
from analytics.analyses.followed import EVENT, Followed, follow
from analytics.courses.cohort import Cohort
from analytics.definitions.endpoints import ENDPOINTS, Endpoint
from analytics.results import CURVE, Context, Phrase, Result
from analytics.stats.curve_reading import read_curve
from analytics.stats.spells import as_spells
from analytics.stats.survival import SurvivalCurve, product_limit

_METHOD = Method(
    Phrase("method.kaplan_meier"),
    "Kaplan & Meier 1958, J Am Stat Assoc 53:457; Therneau & Grambsch 2000, ch. 2.2",
    (Phrase("note.relapse_seen_late"), Phrase("note.loss_may_be_informative")),
)


def curve(cohort: Cohort, endpoint: str = "relapse", *, by: Sequence[str] = ()) -> Result:
    """Return the probability of being free of an event over time, clustered by child.

    Parameters
    ----------
    cohort
        Feet at the cut-off.
    endpoint
        Code of an endpoint.
    by
        Columns of the foot that split the curve.

    Returns
    -------
    Result
        A curve in days with state ``<endpoint>_free``; beside it ``children_at_risk``.
    """
    followed = follow(cohort, ENDPOINTS[endpoint])
    steps, children = [], []
    for key, rows in _split(followed.rows, by):
        labels = dict(zip(by, key, strict=True))
        fitted = fit_curve(rows)
        steps.append(_steps(fitted, f"{endpoint}_free").assign(**labels))
        times = np.concatenate([[0], fitted.times])
        at_risk = np.concatenate([[fitted.n_clusters], fitted.clusters_at_risk])
        children.append(pd.DataFrame({**labels, "time": times, "children": at_risk}))
    context = _described(cohort, endpoint, followed)
    empty = pd.DataFrame(columns=[*by, *CURVE.columns])
    frame = pd.concat(steps, ignore_index=True) if steps else empty
    beside = {"children_at_risk": pd.concat(children, ignore_index=True)} if children else {}
    return Result(CURVE, _typed(frame, by), context, tuple(by), beside)


def fit_curve(rows: pd.DataFrame) -> SurvivalCurve:
    """Return the Kaplan-Meier curve of followed feet, a competing event ending observation."""
    return product_limit(
        as_spells(
            rows["time_days"].to_numpy(dtype=float),
            (rows["ended"] == EVENT).to_numpy(),
            entry=rows["entry_days"].to_numpy(dtype=float) if rows["entry_days"].any() else None,
            cluster=rows["child"].to_numpy(),
        )
    )


def read_endpoint(
    cohort: Cohort, endpoint: Endpoint, horizon_days: int, *, codes: pd.Series, n_groups: int
) -> pd.DataFrame:
    """Return the curve of each group read at one time.

    Parameters
    ----------
    cohort
        Feet at the cut-off.
    endpoint
        The question.
    horizon_days
        Where to read.
    codes
        Group of every foot of the cohort, -1 for none.
    n_groups
        How many groups there are.

    Returns
    -------
    DataFrame
        One row per group: ``group, n, denominator`` (feet in the curve), ``numerator`` (missing:
        a curve is no ratio of counts), ``estimate, lower, upper`` (missing where fewer children
        than the protocol's few are still followed), ``outside`` (not at the origin), ``immature``
        (0: a curve uses what time there is) and ``unknown`` (not seen after the origin).
    """
    rows = follow(cohort, endpoint).rows
    begun = cohort.feet[endpoint.origin].notna()
    group = codes.to_numpy()
    n = np.bincount(group[group >= 0], minlength=n_groups)
    n_begun = np.bincount(group[(group >= 0) & begun.to_numpy()], minlength=n_groups)
    of_row = codes.loc[rows.index].to_numpy()
    used = np.bincount(of_row[of_row >= 0], minlength=n_groups)
    few = cohort.protocol.few_children
    read = [
        _read(rows.loc[of_row == g], horizon_days, few) if used[g] else (np.nan,) * 3
        for g in range(n_groups)
    ]
    return pd.DataFrame(read, columns=["estimate", "lower", "upper"]).assign(
        group=np.arange(n_groups),
        n=n,
        denominator=used,
        numerator=pd.NA,
        outside=n - n_begun,
        immature=0,
        unknown=n_begun - used,
    )


def _read(rows: pd.DataFrame, horizon_days: int, few: int) -> tuple[float, float, float]:
    still = rows.loc[rows["time_days"] >= horizon_days, "child"].nunique()
    if still < few:
        return (np.nan, np.nan, np.nan)
    at = read_curve(fit_curve(rows), [horizon_days])
    return float(at["estimate"].iloc[0]), float(at["lower"].iloc[0]), float(at["upper"].iloc[0])


def _split(rows: pd.DataFrame, by: Sequence[str]) -> Iterator[tuple[tuple[str, ...], pd.DataFrame]]:
    if rows.empty:
        return
    if not by:
        yield (), rows
        return
    for key, part in rows.groupby(list(by), sort=True, dropna=True):
        yield tuple(key), part


def _steps(fitted: SurvivalCurve, state: str) -> pd.DataFrame:
    # The curve begins at 1 with everybody at risk.
    first = {"time": 0.0, "at_risk": fitted.n, "events": 0, "censored": 0}
    start = pd.DataFrame([first | {"estimate": 1.0, "lower": 1.0, "upper": 1.0}])
    names = ("time", "at_risk", "events", "censored", "estimate", "lower", "upper")
    columns = (fitted.times, fitted.at_risk, fitted.events, fitted.censored)
    figures = (fitted.estimate, fitted.lower, fitted.upper)
    later = pd.DataFrame(dict(zip(names, (*columns, *figures), strict=True)))
    return pd.concat([start, later], ignore_index=True).assign(state=state)


def _described(cohort: Cohort, endpoint: str, followed: Followed) -> Context:
    context = describe(cohort, endpoint, followed.rows, method=_METHOD)
    n_events = int((followed.rows["ended"] == EVENT).sum())
    return replace(context, n_events=n_events, exclusions=followed.exclusions)


def _typed(frame: pd.DataFrame, by: Sequence[str]) -> pd.DataFrame:
    types = {"count": "Int64", "figure": "Float64", "code": "string", "time": "Float64"}
    wanted = {name: types[kind] for name, kind in CURVE.columns.items()}
    return frame[[*by, *wanted]].astype(wanted)
