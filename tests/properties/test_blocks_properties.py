"""Rows in any blocks of whole clusters, in any order, give the estimates of all rows at once.

The estimators in memory are checked against R and printed tables in ``tests/reference``; what is
shown here is that sums over blocks are the same numbers.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analytics.errors import NotEstimableError
from analytics.stats.blocks import in_blocks
from analytics.stats.competing import incidence, incidence_over
from analytics.stats.cox import cox
from analytics.stats.cox_blocks import cox_over, proportionality_over
from analytics.stats.cox_checks import proportionality
from analytics.stats.cox_sums import CoxRows, join_rows
from analytics.stats.spells import Spells, as_spells
from analytics.stats.survival import product_limit, product_limit_over

#: Sums in another order differ in their last digits.
CLOSE = {"rtol": 1e-10, "atol": 1e-12}


def draw(seed: int, n: int = 400, *, late: bool = False, causes: int = 1) -> Spells:
    """Rows in clusters of one to three, with ties; late entry where asked."""
    rng = np.random.default_rng(seed)
    cluster = np.repeat(np.arange(n), rng.integers(1, 4, n))[:n]
    entry = rng.integers(0, 30, n) * (rng.random(n) < 0.6)
    time = entry + rng.integers(1, 60, n)
    event = rng.integers(0, causes + 1, n)
    return as_spells(time, event, entry=entry if late else None, cluster=cluster)


def deal(spells: Spells, n_blocks: int, seed: int = 0) -> list[Spells]:
    """Whole clusters to blocks at random; a block may have one cluster or no event."""
    rng = np.random.default_rng(seed)
    block = rng.integers(0, n_blocks, spells.n_clusters)[spells.cluster]
    dealt = []
    for number in rng.permutation(n_blocks):
        chosen = block == number
        if chosen.any():
            entry = None if spells.entry is None else spells.entry[chosen]
            units = np.unique(spells.cluster[chosen], return_inverse=True)[1]
            dealt.append(Spells(spells.time[chosen], spells.event[chosen], entry, units, None))
    return dealt


def assert_same(found, expected) -> None:
    for name in expected.__dataclass_fields__:
        one, other = getattr(found, name), getattr(expected, name)
        if isinstance(other, np.ndarray) and other.dtype.kind == "f":
            np.testing.assert_allclose(one, other, err_msg=name, **CLOSE)
        elif isinstance(other, np.ndarray):
            np.testing.assert_array_equal(one, other, err_msg=name)
        else:
            assert one == other, name


@pytest.mark.parametrize("late", [False, True])
@pytest.mark.parametrize("n_blocks", [1, 2, 150])
@pytest.mark.parametrize("n", [30, 400])
def test_curves_of_blocks_are_those_of_all_rows(n, n_blocks, late):
    one = draw(1, n, late=late)
    assert_same(product_limit_over(in_blocks(deal(one, n_blocks))), product_limit(one))
    two = draw(2, n, late=late, causes=2)
    found = incidence_over(in_blocks(deal(two, n_blocks, 5)), n_causes=2)
    assert_same(found, incidence(two, n_causes=2))


def test_a_block_without_events_and_a_block_of_one_row():
    spells = as_spells([5, 3, 9, 2, 7, 4], [1, 0, 0, 0, 1, 1], cluster=[0, 0, 1, 2, 3, 4])
    parts = [np.array([2]), np.array([0, 1]), np.array([3]), np.array([4, 5])]
    blocks = [
        Spells(spells.time[p], spells.event[p], None, np.unique(spells.cluster[p],
               return_inverse=True)[1], None)
        for p in parts
    ]  # fmt: skip
    assert_same(product_limit_over(in_blocks(blocks)), product_limit(spells))


def test_some_blocks_with_late_rows_and_some_without():
    spells = draw(7, 100, late=True)
    entry = np.where(spells.cluster % 2 == 0, 0.0, spells.entry)
    spells = Spells(spells.time, spells.event, entry, spells.cluster, None)
    blocks = []
    for which in (0, 1):
        chosen = spells.cluster % 2 == which
        units = np.unique(spells.cluster[chosen], return_inverse=True)[1]
        begun = None if which == 0 else entry[chosen]
        blocks.append(Spells(spells.time[chosen], spells.event[chosen], begun, units, None))
    assert_same(product_limit_over(in_blocks(blocks)), product_limit(spells))


def test_no_block_and_one_cluster_are_refused_as_without_blocks():
    with pytest.raises(NotEstimableError, match="no_rows"):
        product_limit_over(in_blocks([]))
    alone = Spells(np.array([3.0, 4.0]), np.array([1, 0]), None, np.array([0, 0]), None)
    with pytest.raises(NotEstimableError, match="one_cluster"):
        product_limit_over(in_blocks([alone]))


def draw_model(seed: int, n: int, *, late: bool) -> CoxRows:
    """Rows of five strata with three covariates, one of them a rare level."""
    rng = np.random.default_rng(seed)
    spells = draw(seed, n, late=late)
    values = np.column_stack(
        [rng.integers(0, 7, n), rng.normal(3, 2, n), rng.random(n) < 0.1]
    ).astype(float)
    return CoxRows(spells, values, rng.integers(0, 9, n), np.full(spells.n_clusters, -1))


def deal_model(rows: CoxRows, n_blocks: int) -> list[CoxRows]:
    """Whole strata to blocks at random, in pieces of whole clusters that are joined again."""
    spells, rng = rows.spells, np.random.default_rng(3)
    block = rng.integers(0, n_blocks, 9)[rows.strata]
    piece = rng.integers(0, 3, spells.n_clusters)[spells.cluster]
    n_homes = np.array(
        [len(np.unique(block[spells.cluster == c])) for c in range(spells.n_clusters)]
    )
    shared = np.where(n_homes > 1, np.arange(spells.n_clusters), -1)
    first = [int(shared[spells.cluster[piece == at]].max(initial=0)) for at in range(3)]
    dealt = []
    for number in np.unique(block):
        pieces, begin = [], []
        for at in range(3):
            c = (block == number) & (piece == at)
            if c.any():
                entry = None if spells.entry is None else spells.entry[c]
                kept, units = np.unique(spells.cluster[c], return_inverse=True)
                mine = Spells(spells.time[c], spells.event[c], entry, units, None)
                own = np.where(shared[kept] < 0, -1, first[at] - shared[kept])
                pieces.append(CoxRows(mine, rows.values[c], rows.strata[c], own))
                begin.append(1000 * at)
        dealt.append(join_rows(pieces, begin))
    return dealt


@pytest.mark.parametrize("ties", ["efron", "breslow"])
@pytest.mark.parametrize("late", [False, True])
@pytest.mark.parametrize("n_blocks", [1, 2, 40])
@pytest.mark.parametrize("n", [60, 500])
def test_a_cox_model_of_blocks_is_that_of_all_rows(n, n_blocks, late, ties):
    rows = draw_model(11, n, late=late)
    expected = cox(rows.spells, rows.values, strata=rows.strata, ties=ties)
    found = cox_over(in_blocks(deal_model(rows, n_blocks)), ("x1", "x2", "x3"), ties=ties)
    for name in ("coefficients", "se", "se_naive", "covariance"):
        # Steps end when shorter than 1e-9 of a deviation; what is left of them is 1e-9 squared.
        np.testing.assert_allclose(getattr(found, name), getattr(expected, name), rtol=1e-9)
    for name in ("likelihood_ratio", "wald", "score", "robust_score"):
        one, other = getattr(found, name), getattr(expected, name)
        assert one.statistic == pytest.approx(other.statistic, rel=1e-9)
    for name in ("n", "n_events", "n_clusters", "n_strata", "notes", "names"):
        assert getattr(found, name) == getattr(expected, name)
    drifts = (proportionality_over(found)["chisq"], proportionality(expected)["chisq"])
    np.testing.assert_allclose(*drifts, rtol=1e-7)


def test_a_cox_model_of_blocks_is_refused_for_the_same_reasons():
    rows = draw_model(12, 80, late=False)
    flat = replace(rows, values=rows.values * [1, 0, 1])
    same = replace(rows, values=rows.values[:, [0, 0, 1]])
    spells = rows.spells
    quiet = Spells(spells.time, spells.event * 0, None, spells.cluster, None)
    for wrong in (flat, same, replace(rows, spells=quiet)):
        with pytest.raises(NotEstimableError) as here:
            cox_over(in_blocks(deal_model(wrong, 3)), ("x1", "x2", "x3"))
        with pytest.raises(NotEstimableError) as there:
            cox(wrong.spells, wrong.values, strata=wrong.strata)
        assert here.value.reason == there.value.reason
        assert here.value.counts == there.value.counts
    with pytest.raises(NotEstimableError, match="no_rows"):
        cox_over(in_blocks([]), ("x1",))
