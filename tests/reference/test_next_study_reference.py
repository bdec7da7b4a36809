"""Sizes of the next study against published numbers and other functions."""

from math import ceil

import numpy as np
import pytest

from analytics.errors import NotEstimableError
from analytics.stats.power import detectable_ratio, events_for_log_rank, rows_for_ratio


def test_events_of_collett_s_example():
    """Collett 2003, Modelling Survival Data, example 10.1 (from memory): 133 events.

    Log hazard ratio -.5621, 5 % two-sided, power 90 %, equal groups.
    """
    assert events_for_log_rank(np.exp(-0.5621), power=0.9) == pytest.approx(133, abs=0.5)


@pytest.mark.parametrize("ratio", [0.5, 0.75, 1.5, 2.0])
def test_the_error_of_two_equal_groups_gives_schoenfeld_s_number(ratio):
    """Schoenfeld 1983: with D events the error of the log hazard ratio is 2 / sqrt(D)."""
    n_events = 90
    rows = rows_for_ratio(ratio, se=2 / np.sqrt(n_events), n=n_events, power=0.9)
    assert rows == pytest.approx(events_for_log_rank(ratio, power=0.9))


def test_a_number_as_exposure_gives_that_of_hsieh_and_lavori():
    """Hsieh & Lavori 2000, Control Clin Trials 21:552, multiple myeloma example: 107 patients.

    Standard deviation .3126 of log10 of blood urea nitrogen, log hazard ratio 1, one-sided 5 %
    (two-sided 10 %), power 80 %, .738 of patients with the event, .1837 of the variance explained
    by the other covariates. From memory. The paper rounds up the events (to 64) and the patients.
    """
    events = rows_for_ratio(np.e, se=1 / np.sqrt(90 * 0.3126**2), n=90, power=0.8, alpha=0.1)
    assert ceil(events) == 64
    assert ceil(ceil(events) / (1 - 0.1837) / 0.738) == 107
    # In one step, without rounding between.
    per_row = 0.738 * 0.3126**2 * (1 - 0.1837)
    rows = rows_for_ratio(np.e, se=1 / np.sqrt(1000 * per_row), n=1000, power=0.8, alpha=0.1)
    assert rows == pytest.approx(events / (1 - 0.1837) / 0.738)


def test_a_ratio_that_can_just_be_found_needs_the_rows_at_hand():
    ratio = detectable_ratio(se=0.2, power=0.8)
    assert rows_for_ratio(ratio, se=0.2, n=500, power=0.8) == pytest.approx(500)
    assert rows_for_ratio(1 / ratio, se=0.2, n=500, power=0.8) == pytest.approx(500)


def test_no_difference_has_no_size():
    with pytest.raises(NotEstimableError, match="no_difference"):
        rows_for_ratio(1.0, se=0.2, n=100)
