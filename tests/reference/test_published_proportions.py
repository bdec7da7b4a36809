"""Published proportions (P1-P9), rebuilt as records and counted through the indicators.

Counts are those of the sources named; Wilson's interval was worked out apart from this program
(numpy, from the formula of 1927) and is given in per cent to two decimals, which is the tolerance.
Where the source does not say how feet belong to children, each foot is a child of its own.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import pytest
from rebuilt import Foot, cohort_from

from analytics.analyses.indicators import estimates
from analytics.courses.cohort import Cohort
from analytics.definitions.indicator import Indicator
from analytics.definitions.indicators import INDICATORS

TENOTOMY = INDICATORS["tenotomy_rate"]
RELAPSED = Indicator("relapsed", "lasting", "relapse_on != missing", population="is_corrected")

#: Days from the brace to a last visit within half a year of the cut-off.
SEEN_LATELY = 1000


@dataclass(frozen=True)
class Proportion:
    """Counts, and the interval for units taken as independent."""

    indicator: Indicator
    k: int
    n: int
    percent: float
    wilson: tuple[float, float]
    feet: Callable[[], list[Foot]]


def single(n: int, **said: object) -> list[Foot]:
    key = "-".join(f"{name}{value}" for name, value in said.items())
    return [Foot(f"{key}-{number}", **said) for number in range(n)]


def tenotomies(k: int, n: int) -> Callable[[], list[Foot]]:
    return lambda: [*single(k, has_tenotomy=True), *single(n - k)]


def dropped(casting: int, bracing: int, n: int) -> Callable[[], list[Foot]]:
    return lambda: [
        *single(casting, stops_after="cast", n_casts=2),
        *single(bracing, stops_after="brace", n_casts=2),
        *single(n - casting - bracing, last_review=SEEN_LATELY, n_casts=2),
    ]


def both(children: int, *, tag: str, **said: object) -> list[Foot]:
    return [Foot(f"{tag}{i}", side, **said) for i in range(children) for side in "LR"]


def lebel() -> list[Foot]:
    """56 children, 27 with both feet; 41 children with a tenotomy."""
    cut = both(20, tag="bt", has_tenotomy=True) + single(21, has_tenotomy=True)
    return cut + both(7, tag="bn") + single(8)


def richards() -> list[Foot]:
    """176 children and 267 feet, so 91 with both feet; 15 feet not corrected."""
    never = both(5, tag="never", stops_after="cast") + single(5, stops_after="cast")
    return never + both(86, tag="both") + single(80)


def thesis() -> list[Foot]:
    """119 children and 173 feet, so 54 with both; 43 children and 57 feet relapsed: 14 in both."""
    back = both(14, tag="back", is_relapsed=True) + single(29, is_relapsed=True)
    return back + both(40, tag="well") + single(36)


CASES = {
    # Pinto 2022: 155 of 965 children dropped out, 18 in casting and 137 in the brace.
    "P1": Proportion(
        INDICATORS["dropped_out"], 155, 965, 16.06, (13.88, 18.51), dropped(18, 137, 965)
    ),
    "P1 casting": Proportion(
        INDICATORS["dropped_out_casting"], 18, 965, 1.87, (1.18, 2.93), dropped(18, 137, 965)
    ),
    # QMJ 2024:63: 197 of 1150, 24 in casting and 173 in the brace.
    "P2": Proportion(
        INDICATORS["dropped_out"], 197, 1150, 17.13, (15.06, 19.42), dropped(24, 173, 1150)
    ),
    # Smythe 2016, in BMC Musculoskelet Disord 2017;18, table 4.
    "P3": Proportion(TENOTOMY, 127, 161, 78.88, (71.94, 84.48), tenotomies(127, 161)),
    # Kouamo 2014, same table.
    "P4": Proportion(TENOTOMY, 34, 41, 82.93, (68.74, 91.47), tenotomies(34, 41)),
    # Menon: tenotomy by hindfoot score.
    "P5": Proportion(TENOTOMY, 51, 59, 86.44, (75.46, 92.97), tenotomies(51, 59)),
    # Lebel 2012: children, 27 of them with both feet.
    "P6": Proportion(
        replace(TENOTOMY, unit="child"), 41, 56, 73.21, (60.41, 83.04), lebel
    ),
    # Spiegel 2009, Nepal.
    "P7": Proportion(TENOTOMY, 205, 260, 78.85, (73.48, 83.37), tenotomies(205, 260)),
    # Richards 2008: 94.4% of 267 feet; 252 follows from the percentage.
    "P8": Proportion(
        INDICATORS["initial_correction"], 252, 267, 94.38, (90.94, 96.57), richards
    ),
    # Thesis 2234330398459505: 43 of 119 children, 57 of 173 feet.
    "P9 children": Proportion(
        replace(RELAPSED, unit="child"), 43, 119, 36.13, (28.06, 45.07), thesis
    ),
    "P9 feet": Proportion(RELAPSED, 57, 173, 32.95, (26.38, 40.26), thesis),
}  # fmt: skip


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Cohort]:
    made: dict[object, Cohort] = {}

    def build(name: str) -> Cohort:
        key = name.split()[0]
        if key not in made:
            made[key] = cohort_from(CASES[name].feet(), tmp_path_factory.mktemp(key))
        return made[key]

    return build


@pytest.mark.parametrize("name", CASES)
def test_published_proportion(name: str, built: Callable[[str], Cohort]) -> None:
    case = CASES[name]
    row = estimates(built(name), [case.indicator]).frame.iloc[0]
    assert (row["numerator"], row["denominator"]) == (case.k, case.n)
    assert 100 * row["estimate"] == pytest.approx(case.percent, abs=0.005)
    found = (100 * row["lower"], 100 * row["upper"])
    shares_children = case.indicator.unit == "foot" and name in ("P8", "P9 feet")
    if not shares_children:
        assert found == pytest.approx(case.wilson, abs=0.005)
        return
    # Two feet of a child are alike here, so the interval is wider than that of so many children.
    assert found[0] < case.wilson[0] and found[1] > case.wilson[1]


def test_a_share_of_feet_is_not_a_share_of_children(built: Callable[[str], Cohort]) -> None:
    cohort = built("P9 feet")
    feet, children = (
        estimates(cohort, [replace(RELAPSED, unit=unit)]).frame.iloc[0]
        for unit in ("foot", "child")
    )
    assert (feet["n"], children["n"]) == (173, 119)
    assert feet["estimate"] != children["estimate"]
