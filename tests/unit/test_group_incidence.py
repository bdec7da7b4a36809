"""All groups in one pass give what one curve per group gives."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.stats.competing import aalen_johansen, read_incidence
from analytics.stats.curve_reading import read_curve
from analytics.stats.group_incidence import group_rows, read_groups
from analytics.stats.survival import kaplan_meier


def _draw(seed: int, *, enters: bool, n: int = 900, n_groups: int = 5):
    draw = np.random.default_rng(seed)
    entry = draw.integers(0, 20, n) * 1.0 if enters else np.zeros(n)
    time = entry + draw.integers(1, 60, n)
    return (
        time,
        draw.integers(0, 3, n),
        entry,
        draw.integers(0, 250, n),
        draw.integers(0, n_groups, n),
    )


@pytest.mark.parametrize("enters", [False, True])
@pytest.mark.parametrize("horizon", [12.0, 20.5, 40.0])
def test_reads_what_a_curve_per_group_reads(enters: bool, horizon: float) -> None:
    time, ended, entry, cluster, group = _draw(3, enters=enters)
    found = read_groups(
        group_rows(time, ended, entry, cluster=cluster, group=group), horizon, n_groups=6
    )
    alone = read_groups(
        group_rows(time, ended == 1, entry, cluster=cluster, group=group), horizon, n_groups=6
    )
    for g in range(5):
        own = group == g
        given = {"entry": entry[own] if enters else None, "cluster": cluster[own]}
        both = read_incidence(aalen_johansen(time[own], ended[own], **given), [horizon]).iloc[0]
        one = read_curve(kaplan_meier(time[own], ended[own] == 1, **given), [horizon]).iloc[0]
        # Both sum the same jackknife in another order: rounding alone may differ.
        assert [found.estimate[g], found.se[g]] == pytest.approx(
            [1 - both["estimate"], both["se"]], abs=1e-11
        )
        assert [found.lower[g], found.upper[g]] == pytest.approx(
            [1 - both["upper"], 1 - both["lower"]], abs=1e-11
        )
        assert [alone.estimate[g], alone.lower[g], alone.upper[g]] == pytest.approx(
            [one["estimate"], one["lower"], one["upper"]], abs=1e-11
        )
    assert np.isnan(found.estimate[5]) and found.n_clusters[5] == 0


def test_competing_causes_by_hand() -> None:
    # Worked by hand: at risk 12, 10, 8, 4, 2 at the events of cause 1 before 20 and at it.
    time = [3, 5, 6, 8, 8, 10, 12, 14, 16, 20, 24, 24]
    ended = [1, 0, 2, 1, 1, 0, 2, 1, 0, 1, 0, 0]
    rows = group_rows(time, ended, np.zeros(12), cluster=range(12), group=np.zeros(12))
    assert 1 - read_groups(rows, 14, n_groups=1).estimate[0] == pytest.approx(0.37361, abs=5e-6)
    assert 1 - read_groups(rows, 20, n_groups=1).estimate[0] == pytest.approx(0.51620, abs=5e-6)


def test_nothing_happened_is_no_certainty() -> None:
    rows = group_rows([9.0] * 62, [0] * 62, np.zeros(62), cluster=range(62), group=[0] * 62)
    found = read_groups(rows, 5, n_groups=1)
    # None in 62: exact two-sided limit 5.78%; the one-sided one of the rule of three is 4.72%.
    assert (found.estimate[0], found.upper[0]) == (1.0, 1.0)
    assert 1 - found.lower[0] == pytest.approx(1 - 0.025 ** (1 / 62), abs=1e-12)


def test_all_ended_leaves_nothing() -> None:
    rows = group_rows([1.0, 2, 3], [1, 1, 1], np.zeros(3), cluster=[0, 1, 2], group=[0, 0, 0])
    found = read_groups(rows, 3, n_groups=1)
    assert found.estimate[0] == pytest.approx(0, abs=1e-12)
    assert found.still_followed[0] == 1
