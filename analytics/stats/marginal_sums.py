"""What the regression of a mean asks of blocks of rows: sums over clusters, which add up."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics.errors import NotEstimableError
from analytics.stats.blocks import Each, add_by_key
from analytics.stats.bordered import Adder, Bordered, less
from analytics.stats.links import Mean
from analytics.stats.marginal_block import (
    Problem,
    cluster_information,
    cluster_scores,
    own_columns,
    standardise,
)
from analytics.stats.proportions import Floats

HIGHEST_CORRELATION = 0.95


@dataclass(frozen=True)
class Facts:
    """What is known of all rows before a step: sizes, outcomes, and the design times itself.

    ``sizes`` are the distinct sizes of clusters, ``n_alike`` the clusters of each.
    """

    n: int
    total: float
    lowest: float
    highest: float
    gram: Bordered
    sizes: Floats
    n_alike: Floats

    @property
    def n_clusters(self) -> int:
        """Return how many clusters there are."""
        return int(self.n_alike.sum())


@dataclass(frozen=True)
class Sums:
    """Sums at given coefficients; z is the design times slope over deviation, r the residual.

    ``information`` (p, p) and ``score`` (p,) are those of independent rows, ``squares`` the sum
    of r squared. Of clusters of each of the distinct ``sizes``: products of their summed z, of
    summed z and r, and squares of summed r. They are all that is needed at any correlation.
    """

    information: Bordered
    score: Floats
    squares: float
    sizes: Floats
    z_products: tuple[Bordered, ...]
    zr_products: Floats
    r_squares: Floats


def check_information(mean: Mean, n: int, gram: Bordered, lowest: float, highest: float) -> None:
    """Refuse rows too few for their columns, columns that say the same, outcomes all alike."""
    p, q = len(gram), len(gram.lead)
    if n <= p:
        raise NotEstimableError("too_few_rows", n_rows=n, n_coefficients=p)
    length = np.sqrt(gram.diagonal)
    if (length == 0).any():
        raise NotEstimableError("constant_column", column=int(np.argmin(length)))
    # A row has one level of a factor at most, so the others say nothing of each other.
    own = gram.reduced() / np.outer(length[:q], length[:q])
    rank = p - q + int((np.linalg.eigvalsh(own) > 1e-11).sum())
    if rank < p:
        raise NotEstimableError("collinear_design", rank=rank, n_coefficients=p)
    if highest == 0:
        raise NotEstimableError("no_events", n_rows=n)
    if lowest == mean.highest:
        raise NotEstimableError("all_events", n_rows=n)


def gather_facts(each: Each, n_columns: int, n_absorbed: int) -> Facts:
    """Return what is known of the rows of all blocks; without any block, no rows."""
    gram, n, total = Adder(n_columns, n_absorbed), 0, 0.0
    lowest, highest = np.inf, -np.inf
    keys, alike = [np.empty(0)], [np.empty(0)]
    for found, columns in each(_gather):
        n, total = n + found.n, total + found.total
        lowest, highest = min(lowest, found.lowest), max(highest, found.highest)
        gram.add(found.gram, columns)
        keys.append(found.sizes)
        alike.append(found.n_alike)
    return Facts(n, total, lowest, highest, gram.total(), *add_by_key(keys, alike))


def project_middle(each: Each, known: Facts) -> Floats:
    """Return the design times the link of outcomes drawn half way to their mean; (p,)."""
    found = np.zeros(len(known.gram))
    for part, columns in each(_project, known.total / known.n):
        _scatter(found, part, columns)
    return found


def add_sums(each: Each, beta: Floats, known: Facts, *, paired: bool) -> Sums:
    """Return the sums of all blocks at given coefficients; of clusters only where ``paired``."""
    p, sizes = len(beta), known.sizes if paired else known.sizes[:0]
    information, *products = (Adder(p, len(known.gram.side)) for _ in range(1 + len(sizes)))
    score, zr_products = np.zeros(p), np.zeros((len(sizes), p))
    squares, r_squares = 0.0, np.zeros(len(sizes))
    for found, columns in each(_add, beta, sizes):
        information.add(found.information, columns)
        _scatter(score, found.score, columns)
        squares += found.squares
        for at, adder in enumerate(products):
            adder.add(found.z_products[at], columns)
            _scatter(zr_products[at], found.zr_products[at], columns)
        r_squares += found.r_squares
    of_sizes = tuple(adder.total() for adder in products)
    return Sums(information.total(), score, squares, sizes, of_sizes, zr_products, r_squares)


def weigh(sums: Sums, alpha: float) -> tuple[Bordered, Floats]:
    """Return information and score; the inverse of the correlation is known in closed form.

    For a cluster of m rows it is (I - k J) / (1 - alpha) with k = alpha / (1 + (m - 1) alpha).
    """
    if not alpha:
        return sums.information, sums.score
    pull = alpha / (1 + (sums.sizes - 1) * alpha)
    score = (sums.score - pull @ sums.zr_products) / (1 - alpha)
    return less(sums.information, sums.z_products, pull, over=1 - alpha), score


def find_correlation(sums: Sums, known: Facts) -> float:
    """Return the exchangeable correlation by moments."""
    p, sizes = len(sums.score), known.sizes
    pairs = (known.n_alike * sizes * (sizes - 1)).sum() / 2
    if pairs <= p or sums.squares == 0:
        return 0.0
    products = (sums.r_squares.sum() - sums.squares) / 2
    alpha = products / (pairs - p) / (sums.squares / (known.n - p))
    # The correlation matrix of the largest cluster must stay positive definite; near 1 the
    # differences within clusters would outweigh all else.
    return float(np.clip(alpha, -0.95 / (sizes.max() - 1), HIGHEST_CORRELATION))


def count_far(each: Each, beta: Floats, limit: float) -> int:
    """Return how many linear predictors lie beyond a limit."""
    return sum(each(_count_far, beta, limit))


def add_products(each: Each, beta: Floats, alpha: float, bread: Floats) -> Floats:
    """Return the products of the clusters' scores, each times the (q, p) bread; (q, q)."""
    return np.sum([*each(_multiply, beta, alpha, bread)], axis=0)


def list_scores(each: Each, beta: Floats, alpha: float, n_columns: int) -> tuple[Floats, Floats]:
    """Return score and information of every cluster; for networks with few of them."""
    scores, information = [], []
    for own, bent, columns in each(_list, beta, alpha):
        score = np.zeros((len(own), n_columns))
        square = np.zeros((len(own), n_columns, n_columns))
        at = np.arange(n_columns) if columns is None else columns
        score[:, at] = own
        square[np.ix_(np.arange(len(own)), at, at)] = bent
        scores.append(score)
        information.append(square)
    return np.concatenate(scores), np.concatenate(information)


def _scatter(total: Floats, part: Floats, columns: NDArray[np.int64] | None) -> None:
    if columns is None:
        total += part
    else:
        total[columns] += part


@dataclass(frozen=True)
class _Found:
    """What a block adds to the facts, or to the sums; matrices are of its own columns."""

    n: int
    total: float
    lowest: float
    highest: float
    gram: Floats
    sizes: Floats
    n_alike: Floats


@dataclass(frozen=True)
class _Summed:
    information: Floats
    score: Floats
    squares: float
    z_products: Floats
    zr_products: Floats
    r_squares: Floats


def _gather(block: Problem) -> tuple[_Found, NDArray[np.int64] | None]:
    sizes, alike = np.unique(block.sizes, return_counts=True)
    y = block.y
    gram = block.design.T @ block.design
    found = _Found(
        y.size, float(y.sum()), float(y.min()), float(y.max()), gram, sizes, alike.astype(float)
    )
    return found, block.columns


def _project(block: Problem, middle: float) -> tuple[Floats, NDArray[np.int64] | None]:
    drawn = block.mean.link((block.y + middle) / 2) - block.offset
    return block.design.T @ drawn, block.columns


def _add(block: Problem, beta: Floats, sizes: Floats) -> tuple[_Summed, NDArray[np.int64] | None]:
    rows = standardise(block, beta)
    z, r = rows.slopes, rows.residuals
    z_products, zr_products, r_squares = [], [], []
    if sizes.size:
        z_sum = np.add.reduceat(z, block.starts, axis=0)
        r_sum = np.add.reduceat(r, block.starts)
    for size in sizes:
        alike = block.sizes == size
        z_of, r_of = z_sum[alike], r_sum[alike]
        z_products.append(z_of.T @ z_of)
        zr_products.append(z_of.T @ r_of)
        r_squares.append(r_of @ r_of)
    p = z.shape[1]
    sums = _Summed(
        z.T @ z, z.T @ r, float(r @ r),
        np.reshape(z_products, (-1, p, p)), np.reshape(zr_products, (-1, p)),
        np.asarray(r_squares, dtype=float),
    )  # fmt: skip
    return sums, block.columns


def _count_far(block: Problem, beta: Floats, limit: float) -> int:
    return int((np.abs(block.design @ own_columns(block, beta)) > limit).sum())


def _multiply(block: Problem, beta: Floats, alpha: float, bread: Floats) -> Floats:
    own = bread if block.columns is None else bread[:, block.columns]
    scores = cluster_scores(block, standardise(block, beta), alpha) @ own.T
    return scores.T @ scores


def _list(
    block: Problem, beta: Floats, alpha: float
) -> tuple[Floats, Floats, NDArray[np.int64] | None]:
    rows = standardise(block, beta)
    scores = cluster_scores(block, rows, alpha)
    return scores, cluster_information(block, rows, alpha), block.columns
