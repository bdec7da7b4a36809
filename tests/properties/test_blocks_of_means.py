"""Means, indicators and quantiles from blocks of whole clusters are those of all rows at once."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.errors import NotEstimableError
from analytics.stats import marginal_block
from analytics.stats.blocks import derive, in_blocks
from analytics.stats.counts import log_linear, logistic
from analytics.stats.group_incidence import group_rows, read_groups, read_groups_over
from analytics.stats.grouped import Grouped, count_yes, quantiles_over, ratio_over, share_over
from analytics.stats.links import LOG_LINEAR, LOGISTIC, Mean
from analytics.stats.marginal import solve_over
from analytics.stats.marginal_block import Problem, as_block, in_slices
from analytics.stats.proportions import clustered_proportion
from analytics.stats.spread import clustered_quantile, clustered_ratio


def draw(seed: int, n: int):
    """Counts and events in clusters of one or two, with a score and four centres."""
    rng = np.random.default_rng(seed)
    cluster = np.repeat(np.arange(n), rng.integers(1, 3, n))[:n]
    effect = rng.normal(0, 0.3, n)[cluster]
    centre = rng.integers(0, 4, n)[cluster]
    score = rng.integers(0, 13, n) / 2
    design = np.column_stack([np.ones(n), score, *(centre == c for c in (1, 2, 3))]).astype(float)
    count = rng.poisson(np.exp(0.5 + 0.2 * score + effect)) + 1
    return count, design, cluster


def deal(mean: Mean, y, design, cluster, n_blocks: int) -> list[Problem]:
    """Whole clusters to blocks; each block has the columns alone that are not 0 there."""
    block = np.random.default_rng(1).integers(0, n_blocks, cluster.max() + 1)[cluster]
    dealt = []
    for number in np.random.default_rng(2).permutation(n_blocks):
        mine = block == number
        if mine.any():
            columns = np.flatnonzero(design[mine].any(axis=0))
            held = design[mine][:, columns]
            dealt.append(as_block(mean, y[mine], held, cluster[mine], columns=columns))
    return dealt


@pytest.mark.parametrize("exchangeable", [True, False])
@pytest.mark.parametrize("n_blocks", [1, 3, 120])
@pytest.mark.parametrize("n", [45, 300])
@pytest.mark.parametrize("family", ["count", "event"])
def test_a_mean_fitted_to_blocks_is_that_of_all_rows(family, n, n_blocks, exchangeable):
    count, design, cluster = draw(4, n)
    fit, mean, y = log_linear, LOG_LINEAR, count.astype(float)
    if family == "event":
        fit, mean, y = logistic, LOGISTIC, (count > np.median(count)).astype(float)
    expected = fit(y, design, cluster=cluster, exchangeable=exchangeable)
    blocks = deal(mean, y, design, cluster, n_blocks)
    found = solve_over(in_blocks(blocks), mean, design.shape[1], exchangeable=exchangeable)
    for name in ("coefficients", "covariance", "sandwich", "model_covariance", "plain_covariance"):
        # Steps end when shorter than 1e-10.
        np.testing.assert_allclose(
            getattr(found, name), getattr(expected, name), rtol=1e-8, atol=1e-10, err_msg=name
        )
    assert found.dispersion == pytest.approx(expected.dispersion, rel=1e-9)
    assert found.correlation == pytest.approx(expected.correlation, rel=1e-8)
    assert (found.n, found.n_clusters) == (expected.n, expected.n_clusters)


@pytest.mark.parametrize("rows_at_once", [1, 7, 150, 1_000])
def test_slices_of_a_block_are_its_rows_in_whole_clusters(monkeypatch, rows_at_once):
    monkeypatch.setattr(marginal_block, "ROWS_AT_ONCE", rows_at_once)
    count, design, cluster = draw(4, 300)
    block = as_block(LOG_LINEAR, count.astype(float), design, cluster)
    slices = in_slices(block)
    assert len(slices) == len(np.unique(block.starts // rows_at_once))
    for name in ("y", "design", "offset", "sizes"):
        parts = np.concatenate([getattr(part, name) for part in slices])
        np.testing.assert_array_equal(parts, getattr(block, name))
    for part in slices:
        np.testing.assert_array_equal(np.diff([*part.starts, len(part.y)]), part.sizes)
        assert np.shares_memory(part.design, block.design)


def test_a_mean_of_blocks_is_refused_for_the_same_reasons():
    count, design, cluster = draw(5, 60)
    y = count.astype(float)
    for wrong, outcome in ((design[:, [0, 1, 1]], y), (design, y * 0)):
        blocks = deal(LOG_LINEAR, outcome, wrong, cluster, 3)
        with pytest.raises(NotEstimableError) as here:
            solve_over(in_blocks(blocks), LOG_LINEAR, wrong.shape[1], exchangeable=True)
        with pytest.raises(NotEstimableError) as there:
            log_linear(outcome, wrong, cluster=cluster)
        assert (here.value.reason, here.value.counts) == (there.value.reason, there.value.counts)
    with pytest.raises(NotEstimableError, match="too_few_rows"):
        solve_over(in_blocks([]), LOG_LINEAR, 2, exchangeable=True)


def draw_levels(n: int, n_levels: int):
    """Rows with levels of a factor as last columns; some clusters have rows of two levels."""
    count, design, cluster = draw(8, n)
    rng = np.random.default_rng(9)
    level = (cluster * n_levels) // (cluster.max() + 1)
    level = np.where(rng.random(n) < 0.1, rng.integers(0, n_levels, n), level)
    dummies = (level[:, None] == np.arange(1, n_levels)).astype(float)
    return count.astype(float), np.hstack([design, dummies]), cluster


@pytest.mark.parametrize("exchangeable", [False, True])
@pytest.mark.parametrize(("n", "n_levels"), [(60, 4), (600, 40)])
@pytest.mark.parametrize("n_blocks", [1, 7])
def test_levels_that_are_only_adjusted_for_change_nothing_when_taken_out(
    n, n_levels, n_blocks, exchangeable
):
    y, design, cluster = draw_levels(n, n_levels)
    expected = log_linear(y, design, cluster=cluster, exchangeable=exchangeable)
    blocks = deal(LOG_LINEAR, y, design, cluster, n_blocks)
    found = solve_over(
        in_blocks(blocks),
        LOG_LINEAR,
        design.shape[1],
        exchangeable=exchangeable,
        n_absorbed=n_levels - 1,
    )
    q = design.shape[1] - n_levels + 1
    np.testing.assert_allclose(found.coefficients, expected.coefficients[:q], rtol=1e-8)
    for name in ("covariance", "sandwich", "model_covariance", "plain_covariance"):
        one, other = getattr(found, name), getattr(expected, name)[:q, :q]
        np.testing.assert_allclose(one, other, rtol=1e-8, atol=1e-12, err_msg=name)
    assert found.degrees == expected.degrees
    assert found.correlation == pytest.approx(expected.correlation, rel=1e-8)


def test_a_column_that_levels_tell_already_is_refused_when_they_are_taken_out_too():
    y, design, cluster = draw_levels(300, 10)
    design[:, 1] = design[:, -9:] @ np.arange(9)
    blocks = deal(LOG_LINEAR, y, design, cluster, 3)
    with pytest.raises(NotEstimableError) as here:
        solve_over(in_blocks(blocks), LOG_LINEAR, design.shape[1], exchangeable=True, n_absorbed=9)
    with pytest.raises(NotEstimableError) as there:
        log_linear(y, design, cluster=cluster)
    assert (here.value.reason, here.value.counts) == (there.value.reason, there.value.counts)


def deal_rows(cluster, n_blocks: int):
    """Rows of whole clusters by block, each with its clusters numbered within it."""
    block = np.random.default_rng(6).integers(0, n_blocks, cluster.max() + 1)[cluster]
    for number in np.random.default_rng(7).permutation(n_blocks):
        mine = np.flatnonzero(block == number)
        if len(mine):
            yield mine, np.unique(cluster[mine], return_inverse=True)[1].astype(np.int64)


@pytest.mark.parametrize("n_blocks", [1, 2, 90])
def test_shares_quantiles_and_ratios_by_group_are_those_of_all_rows(n_blocks):
    rng = np.random.default_rng(8)
    n = 240
    cluster = np.repeat(np.arange(n), rng.integers(1, 3, n))[:n]
    group = rng.integers(0, 5, n)  # a group of seven has no rows
    value = rng.integers(1, 12, n).astype(float)
    yes, below = (value > 5).astype(float), rng.integers(1, 4, n).astype(float)
    blocks = list(deal_rows(cluster, n_blocks))

    def over(*values):
        held = np.stack(values)
        return in_blocks([Grouped(held[:, mine], units, group[mine]) for mine, units in blocks])

    same(
        share_over(derive(over(yes), count_yes), n_groups=7),
        clustered_proportion(yes, cluster, group=group, n_groups=7),
    )
    same(
        ratio_over(over(value, below), n_groups=7),
        clustered_ratio(value, below, cluster, group=group, n_groups=7),
    )
    for share, found in zip(
        (0.25, 0.5, 0.9), quantiles_over(over(value), (0.25, 0.5, 0.9), n_groups=7), strict=True
    ):
        same(found, clustered_quantile(value, cluster, share, group=group, n_groups=7))
        assert found.estimate[0] == np.quantile(
            value[group == 0], share, method="inverted_cdf"
        )  # definition 1 of Hyndman and Fan


@pytest.mark.parametrize("n_blocks", [1, 2, 90])
@pytest.mark.parametrize("late", [False, True])
def test_curves_read_by_group_are_those_of_all_rows(late, n_blocks):
    rng = np.random.default_rng(9)
    n = 300
    cluster = np.repeat(np.arange(n), rng.integers(1, 3, n))[:n]
    group = rng.integers(0, 5, n)
    entry = rng.integers(0, 20, n) * (rng.random(n) < 0.5) * late
    time, ended = entry + rng.integers(1, 60, n), rng.integers(0, 3, n)
    rows = group_rows(time, ended, entry, cluster=cluster, group=group)
    blocks = [
        group_rows(time[mine], ended[mine], entry[mine], cluster=units, group=group[mine])
        for mine, units in deal_rows(cluster, n_blocks)
    ]
    same(read_groups_over(in_blocks(blocks), 30, n_groups=7), read_groups(rows, 30, n_groups=7))


def same(found, expected) -> None:
    for name in expected.__dataclass_fields__:
        np.testing.assert_allclose(
            getattr(found, name), getattr(expected, name), rtol=1e-10, atol=1e-13, err_msg=name
        )


def test_no_rows_at_all_give_nothing_to_read():
    none = in_blocks([])
    assert np.isnan(share_over(none, n_groups=2).estimate).all()
    assert np.isnan(ratio_over(none, n_groups=2).estimate).all()
    assert np.isnan(quantiles_over(none, (0.5,), n_groups=2)[0].lower).all()
    assert np.isnan(read_groups_over(none, 9, n_groups=2).estimate).all()
