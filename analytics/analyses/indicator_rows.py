"""What each kind of indicator counts of some feet, and how its estimate follows from the counts.

Counts add up over parts of whole children, and so does what is asked of the rows themselves, so
an indicator is the same of a cohort in memory and of a network in parts.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from analytics.analyses.followed import CENSORED, COMPETING, EVENT, time_feet
from analytics.analyses.verdicts import VERDICTS, find_places
from analytics.analyses.view import View, renumber
from analytics.definitions.endpoints import ENDPOINTS
from analytics.definitions.indicator import Indicator
from analytics.definitions.protocol import Protocol
from analytics.stats.blocks import Each
from analytics.stats.group_incidence import GroupRows, group_rows, read_groups_over
from analytics.stats.grouped import Grouped, count_yes, quantiles_over, ratio_over, share_over
from analytics.stats.proportions import Interval

#: Quantiles of a spread, by the end of their measure.
QUANTILES = {"median": 0.5, "p25": 0.25, "p75": 0.75, "p90": 0.9}
_NOT_COUNTED = ("outside", "immature", "unknown")

Counts = dict[str, np.ndarray]


@dataclass(frozen=True, eq=False)
class Counted:
    """Feet under an indicator.

    Parameters
    ----------
    counts
        (groups,) numbers that add up, by name.
    rows
        Those that enter the estimate, children being its clusters; of a share, children alike.
    """

    counts: Counts
    rows: Grouped | GroupRows | np.ndarray


def count_rows(view: View, indicator: Indicator, codes: np.ndarray, n_groups: int) -> Counted:
    """Return what an indicator counts of some feet.

    Parameters
    ----------
    view
        Feet at the cut-off.
    indicator
        Of any kind.
    codes
        (n,) group of each foot, from 0; -1 for none.
    n_groups
        How many groups there are.
    """
    return _ROWS[indicator.kind](view, indicator, codes, n_groups)


def read_counts(
    indicator: Indicator, counts: Counts, each: Each, protocol: Protocol
) -> pd.DataFrame:
    """Return the rows of Estimates with ``group``, one for each group (four for a spread).

    Parameters
    ----------
    indicator
        Of any kind.
    counts
        Of all feet.
    each
        Blocks of the rows that enter.
    protocol
        Windows in force.
    """
    return _READ[indicator.kind](indicator, counts, each, protocol)


def _share_rows(view: View, indicator: Indicator, codes: np.ndarray, n_groups: int) -> Counted:
    unit, place = find_places(view, indicator)
    group = codes[unit]
    counts = _count_verdicts(place, group, n_groups)
    counted = (place >= VERDICTS.index("no")) & (group >= 0)
    yes = (place[counted] == VERDICTS.index("yes")).astype(float)
    return Counted(counts, count_yes(_grouped([yes], view.child[unit[counted]], group[counted])))


def _ratio_rows(view: View, indicator: Indicator, codes: np.ndarray, n_groups: int) -> Counted:
    counts, used, group = _answered(view, indicator, codes, n_groups)
    above = view.rules.values(indicator.numerator).held[used].astype(float)
    below = _below(view, indicator, used)
    sums = {
        name: np.bincount(group, weights=values, minlength=n_groups).astype(float)
        for name, values in (("above", above), ("below", below))
    }
    return Counted(counts | sums, _grouped([above, below], view.child[used], group))


def _spread_rows(view: View, indicator: Indicator, codes: np.ndarray, n_groups: int) -> Counted:
    counts, used, group = _answered(view, indicator, codes, n_groups)
    values = view.rules.values(indicator.numerator).held[used].astype(float)
    return Counted(counts, _grouped([values], view.child[used], group))


def _curve_rows(view: View, indicator: Indicator, codes: np.ndarray, n_groups: int) -> Counted:
    timed = time_feet(view, ENDPOINTS[indicator.numerator])
    begun = timed.inside & view.rules.read(indicator.population).yes & (codes >= 0)
    of_row = begun[timed.place]
    place, ended = timed.place[of_row], timed.ended[of_row]
    keep = (EVENT, COMPETING) if indicator.reading == "aalen_johansen" else (EVENT,)
    held = group_rows(
        timed.time[of_row],
        np.where(np.isin(ended, keep), ended, CENSORED),
        timed.entry[of_row],
        cluster=renumber(view.child[place]),
        group=codes[place],
    )
    counts = {
        name: np.bincount(which, minlength=n_groups)
        for name, which in (("n", codes[codes >= 0]), ("begun", codes[begun]), ("used", held.group))
    }
    return Counted(counts, held)


def _read_share(
    indicator: Indicator, counts: Counts, each: Each, protocol: Protocol
) -> pd.DataFrame:
    interval = share_over(each, n_groups=len(counts["n"]))
    return _table(indicator.code, counts, interval).assign(
        denominator=counts["no"] + counts["yes"], numerator=counts["yes"]
    )


def _read_ratio(
    indicator: Indicator, counts: Counts, each: Each, protocol: Protocol
) -> pd.DataFrame:
    interval = ratio_over(each, n_groups=len(counts["n"]))
    return _table(indicator.code, counts, interval).assign(
        denominator=counts["below"].round().astype("int64"),
        numerator=counts["above"].round().astype("int64"),
    )


def _read_spread(
    indicator: Indicator, counts: Counts, each: Each, protocol: Protocol
) -> pd.DataFrame:
    read = quantiles_over(each, tuple(QUANTILES.values()), n_groups=len(counts["n"]))
    tables = [
        _table(f"{indicator.code}.{name}", counts, interval)
        for name, interval in zip(QUANTILES, read, strict=True)
    ]
    frame = pd.concat(tables, ignore_index=True)
    return frame.assign(denominator=np.tile(counts["yes"], len(tables)), numerator=pd.NA)


def _read_curve(
    indicator: Indicator, counts: Counts, each: Each, protocol: Protocol
) -> pd.DataFrame:
    """Read a curve at its horizon; missing where fewer children than few are still followed.

    Every foot begun has its time in the curve, so none is immature, and the numerator is missing:
    a curve is no ratio of counts. Unknown are feet not seen after the origin.
    """
    read = read_groups_over(each, indicator.horizon_days, n_groups=len(counts["n"]))
    enough = read.still_followed >= protocol.few_children
    limits = (np.where(enough, part, np.nan) for part in (read.estimate, read.lower, read.upper))
    told = {
        "n": counts["n"],
        "outside": counts["n"] - counts["begun"],
        "immature": np.zeros_like(counts["n"]),
        "unknown": counts["begun"] - counts["used"],
    }
    frame = _table(indicator.code, told, Interval(*limits))
    return frame.assign(denominator=counts["used"], numerator=pd.NA)


def _table(code: str, counts: Counts, interval: Interval) -> pd.DataFrame:
    told = {name: counts[name] for name in ("n", *_NOT_COUNTED)}
    return pd.DataFrame(told).assign(
        group=np.arange(len(counts["n"])),
        measure=code,
        estimate=interval.estimate,
        lower=interval.lower,
        upper=interval.upper,
    )


def _grouped(values: list[np.ndarray], child: np.ndarray, group: np.ndarray) -> Grouped:
    return Grouped(np.stack(values), renumber(child), group.astype(np.int64))


def _below(view: View, indicator: Indicator, used: np.ndarray) -> np.ndarray:
    """Return what each foot adds below the line of a ratio."""
    if indicator.denominator:
        return view.rules.values(indicator.denominator).held[used].astype(float)
    if indicator.unit == "child":
        return (~pd.Series(view.child[used]).duplicated()).to_numpy(dtype=float)
    return np.ones(len(used))


def _answered(
    view: View, indicator: Indicator, codes: np.ndarray, n_groups: int
) -> tuple[Counts, np.ndarray, np.ndarray]:
    """Return verdict counts by group, and the places and groups of feet in a ratio or spread."""
    unit, verdict = find_places(view, indicator)
    group = codes[unit]
    counts = _count_verdicts(verdict, group, n_groups)
    if indicator.kind == "ratio" and indicator.unit == "child" and not indicator.denominator:
        # Both feet add their part to the one child, in the group where the child counts.
        of_child = np.full(view.n_children, -1)
        of_child[view.child[unit]] = group
        unit, verdict = find_places(view, replace(indicator, unit="foot"))
        group = of_child[view.child[unit]]
    keep = (verdict == VERDICTS.index("yes")) & (group >= 0)
    return counts, unit[keep], group[keep]


def _count_verdicts(places: np.ndarray, group: np.ndarray, n_groups: int) -> Counts:
    cell = (places * n_groups + group)[group >= 0]
    table = np.bincount(cell, minlength=len(VERDICTS) * n_groups).reshape(len(VERDICTS), n_groups)
    return dict(zip(VERDICTS, table, strict=True)) | {"n": table.sum(axis=0)}


_ROWS: dict[str, Callable[[View, Indicator, np.ndarray, int], Counted]] = {
    "share": _share_rows,
    "ratio": _ratio_rows,
    "spread": _spread_rows,
    "curve": _curve_rows,
}
_READ: dict[str, Callable[[Indicator, Counts, Each, Protocol], pd.DataFrame]] = {
    "share": _read_share,
    "ratio": _read_ratio,
    "spread": _read_spread,
    "curve": _read_curve,
}
