"""How long all indicators take by clinic and quarter; run by hand, the table is committed.

python tests/benchmarks/indicators.py [FEET] [CLINICS] [QUARTERS]
"""

from __future__ import annotations

import platform
import sys
import time
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[1]))

from drawn import cohort_of

from analytics.analyses.bounds import bounds
from analytics.analyses.indicators import estimates
from analytics.courses.cohort import Cohort
from analytics.definitions.indicators import INDICATORS

CUT_OFF = date(2026, 1, 1)
TABLE = Path(__file__).with_suffix(".md")


def build(n_feet: int, n_clinics: int, n_quarters: int) -> Cohort:
    """Feet of invented children: half of the children have two, visits end at any time."""
    draw = np.random.default_rng(20260101)
    child = np.repeat(np.arange(n_feet), draw.choice([1, 2], n_feet))[:n_feet]
    n_days = n_quarters * 91
    first = CUT_OFF - timedelta(n_days)
    own = {name: draw.integers(0, most, n_feet)[child] for name, most in
           (("clinic", n_clinics), ("start", n_days), ("age", 400))}  # fmt: skip
    after = pd.Timedelta("1D") * draw.integers(0, 1500, n_feet)
    started = pd.Timestamp(first) + pd.to_timedelta(own["start"], unit="D")
    corrected = started + pd.to_timedelta(draw.integers(20, 90, n_feet), unit="D")
    end = pd.Timestamp(CUT_OFF)
    last = (corrected + after).where(corrected + after < end, end)

    def some(share: float, days: int) -> pd.DatetimeIndex:
        later = corrected + pd.to_timedelta(draw.integers(1, days, n_feet), unit="D")
        return later.where((draw.random(n_feet) < share) & (later < last))

    count = lambda most: draw.integers(0, most, n_feet)  # noqa: E731
    frame = pd.DataFrame(
        {
            "child": [f"c{c}" for c in child],
            "side": np.where(pd.Series(child).duplicated(), "right", "left"),
            "clinic": [f"K{c:02d}" for c in own["clinic"]],
            "quarter": started.to_period("Q").astype(str),
            "birth_on": started - pd.to_timedelta(own["age"], unit="D"),
            "enrolled_on": started, "started_on": started, "corrected_on": corrected,
            "brace_on": corrected, "tenotomy_on": some(0.9, 20), "relapse_on": some(0.4, 1500),
            "relapse_treated_on": some(0.3, 1500), "operation_on": some(0.1, 1500),
            "transfer_on": some(0.1, 1500), "release_on": some(0.02, 700),
            "lost_on": some(0.2, 1500), "first_lost_on": some(0.3, 900),
            "returned_on": some(0.2, 900), "last_seen_on": last, "due_until_on": end,
            "followed_until_on": last, "age_start_days": own["age"],
            "diagnosis": draw.choice(["idiopathic", "syndromic"], n_feet),
            "prior_treatment": draw.choice(["none", "casts"], n_feet),
            "status": draw.choice(["in_care", "lost"], n_feet),
            "phase": draw.choice(["casting", "bracing"], n_feet),
            "is_corrected": draw.choice(["yes", "no"], n_feet),
            "has_tenotomy": draw.choice(["yes", "no"], n_feet),
            "good_result": draw.choice(["yes", "no"], n_feet),
            "n_casts": count(12), "n_casts_all": count(13), "n_casts_replaced": count(2),
            "n_casting_complications": count(2), "n_intervals": count(8),
            "n_intervals_on_time": count(8), "n_cast_visits": count(9),
            "n_cast_visits_scored": count(9), "n_brace_reviews": count(9),
            "n_brace_reviews_as_advised": count(9), "n_reviews_due": count(9),
            "n_reviews_on_time": count(9), "pirani_start": count(6) * 1.0,
        }
    )  # fmt: skip
    dates = [name for name in frame if name.endswith("_on")]
    frame[dates] = frame[dates].apply(lambda days: days.dt.normalize())
    return cohort_of(frame, cut_off=CUT_OFF.isoformat())


def clock(work: Callable[[], object], *, times: int = 3) -> float:
    """The fastest of a few runs, in seconds."""
    taken = []
    for _ in range(times):
        begun = time.perf_counter()
        work()
        taken.append(time.perf_counter() - begun)
    return min(taken)


def main(n_feet: int = 30_000, n_clinics: int = 50, n_quarters: int = 24) -> None:
    """Write the table of times."""
    cohort = build(n_feet, n_clinics, n_quarters)
    every = list(INDICATORS.values())
    curves = [i for i in every if i.kind == "curve"]
    lines = [
        "# All indicators by clinic and quarter",
        "",
        f"`python tests/benchmarks/indicators.py {n_feet} {n_clinics} {n_quarters}` on "
        f"{platform.machine()}, Python {platform.python_version()}, pandas {pd.__version__}; "
        "fastest of three runs. The limit set for the second line is 10 s.",
        "",
        f"| what ({len(every)} indicators, {n_feet:,} feet) | groups | seconds |",
        "|---|---|---|",
    ]
    by_both = ("clinic", "quarter")
    n_groups = len(cohort.feet[list(by_both)].drop_duplicates())
    for name, groups, work in (
        ("all, network", 1, lambda: estimates(cohort, every)),
        ("all, by clinic and quarter", n_groups, lambda: estimates(cohort, every, by=by_both)),
        (f"the {len(curves)} read from curves, by clinic and quarter", n_groups,
         lambda: estimates(cohort, curves, by=by_both)),
        ("bounds, by clinic and quarter", n_groups, lambda: bounds(cohort, every, by=by_both)),
    ):  # fmt: skip
        lines.append(f"| {name} | {groups:,} | {clock(work):.1f} |")
        sys.stdout.write(lines[-1] + "\n")
    TABLE.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
