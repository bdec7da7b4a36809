"""Means, indicators and quantiles from blocks of whole clusters are those of all rows at once."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.errors import NotEstimableError
from analytics.stats.blocks import in_blocks
from analytics.stats.counts import log_linear, logistic
from analytics.stats.links import LOG_LINEAR, LOGISTIC, Mean
from analytics.stats.marginal import solve_over
from analytics.stats.marginal_block import Problem, as_block


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
