"""Counting finds what sorting finds."""

import numpy as np
import pytest

from analytics.stats.distinct import distinct

RNG = np.random.default_rng(1)


@pytest.mark.parametrize(
    "values",
    [
        RNG.integers(1, 50, 300).astype(float),
        RNG.integers(-40, 50, 300),
        RNG.integers(0, 10**9, 300),
        RNG.integers(0, 40, 300).astype(np.uint8),
        RNG.integers(-128, 128, 300).astype(np.int8),
        RNG.exponential(1, 300),
        np.append(RNG.integers(1, 50, 300), 2.5),
        np.array([7.0]),
        np.array([]),
        np.array([1e17, 1e17 + 32, 1e17]),
    ],
    ids=[
        "days",
        "whole",
        "far apart",
        "bytes",
        "signed bytes",
        "any",
        "one half",
        "one",
        "none",
        "huge",
    ],
)
def test_the_same_as_sorting(values):
    found, rank = distinct(values)
    wanted, place = np.unique(values, return_inverse=True)
    np.testing.assert_array_equal(found, wanted)
    assert found.dtype == wanted.dtype
    np.testing.assert_array_equal(rank, place)
