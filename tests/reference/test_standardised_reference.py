"""Standardised differences against worked values from outside."""

import numpy as np
import pytest
from scipy import stats

from analytics.errors import NotEstimableError
from analytics.stats.standardised import standardised_difference, standardised_distance


def r_normal(seed, n):
    """The first numbers of R's rnorm after set.seed(seed): Mersenne Twister and inversion.

    R scrambles the seed fifty times by 69069 x + 1 and fills the state with what follows; rnorm
    makes one uniform number of two (R sources, RNG.c and snorm.c, BIG = 2^27).
    """
    word, key = seed, []
    for step in range(50 + 625):
        word = (69069 * word + 1) % 2**32
        if step >= 50:
            key.append(word)
    twister = np.random.RandomState()
    twister.set_state(("MT19937", np.array(key[1:], dtype=np.uint32), 624))
    big = 134217728

    def uniform():
        return twister.randint(0, 2**32, dtype=np.uint64) * 2.3283064365386963e-10

    return np.array([stats.norm.ppf((int(big * uniform()) + uniform()) / big) for _ in range(n)])


def test_the_numbers_of_r_are_those_of_r():
    """rnorm(3) after set.seed(123), as printed in many R texts."""
    assert r_normal(123, 3) == pytest.approx([-0.56047565, -0.23017749, 1.55870831], abs=5e-9)


def test_differences_and_errors_equal_the_smd_package():
    """R package smd, vignette of 2020-10-13: xn <- rnorm(90), seed 123, by two and three groups.

    There variances are over n, here over n - 1 as Austin's: the same but for that root. Printed to
    eight digits. The reference comes first: .03413269 is A less B.
    """
    x = r_normal(123, 90)
    z = stats.norm.ppf(0.975)
    pairs = (
        (x[:45], x[45:], 0.03413269, 0.2108339),
        (x[:30], x[30:60], -0.25169577, 0.2592192),
        (x[:30], x[60:], -0.07846864, 0.2582982),
    )
    for first, second, wanted, error in pairs:
        n = len(first)
        at = standardised_difference(first, second)
        theirs = float(at.estimate) * np.sqrt(n / (n - 1))
        assert theirs == pytest.approx(wanted, abs=5e-9)
        # The error moves with the difference by less than the digits compared.
        assert float(at.upper - at.estimate) / z == pytest.approx(error, abs=5e-5)


def test_two_shares_by_hand():
    """Austin 2009, equation 2: .5 against .4 is .1 / sqrt((.25 + .24) / 2)."""
    first, second = np.repeat([1, 0], [50, 50]), np.repeat([1, 0], [40, 60])
    wanted = 0.1 / np.sqrt(0.245)
    assert float(standardised_difference(first, second).estimate) == pytest.approx(wanted)


def test_a_code_of_two_levels_is_the_size_of_the_difference():
    rng = np.random.default_rng(3)
    a, b = rng.random(70) < 0.3, rng.random(90) < 0.5
    plain = standardised_difference(a.astype(float), b.astype(float))
    coded = standardised_distance(np.where(a, "yes", "no"), np.where(b, "yes", "no"))
    assert float(coded.estimate) == pytest.approx(abs(float(plain.estimate)))
    assert float(coded.upper - coded.lower) == pytest.approx(float(plain.upper - plain.lower))


def test_a_code_of_three_levels_does_not_depend_on_the_level_left_out():
    a = np.repeat(["x", "y", "z"], [10, 20, 30])
    b = np.repeat(["x", "y", "z"], [25, 20, 15])
    turned = {"x": "z", "y": "x", "z": "y"}
    renamed = [np.array([turned[v] for v in part]) for part in (a, b)]
    one, two = standardised_distance(a, b), standardised_distance(*renamed)
    assert float(one.estimate) == pytest.approx(float(two.estimate))
    # Yang & Dalton by hand: T' S^-1 T on the shares of y and z.
    p, q = np.array([20, 30]) / 60, np.array([20, 15]) / 60
    s = (np.diag(p) - np.outer(p, p) + np.diag(q) - np.outer(q, q)) / 2
    assert float(one.estimate) == pytest.approx(np.sqrt((p - q) @ np.linalg.solve(s, p - q)))


def test_what_cannot_be_compared_says_why():
    with pytest.raises(NotEstimableError, match="no_contrast"):
        standardised_difference([1.0, 1.0], [1.0, 1.0])
    with pytest.raises(NotEstimableError, match="too_few_values"):
        standardised_difference([1.0], [1.0, 2.0])
    with pytest.raises(NotEstimableError, match="missing_values"):
        standardised_difference([1.0, np.nan], [1.0, 2.0])
    with pytest.raises(NotEstimableError, match="no_contrast"):
        standardised_distance(["a", "a"], ["a", "a"])
