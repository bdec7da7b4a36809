"""Numbers of a network in parts are those of its cohort in memory.

The analyses in memory rest on estimators that ``tests/reference`` checks against R, printed tables
and other libraries; equality carries those checks over.
"""

from __future__ import annotations

import errno
import os
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from demo import demo_cohort
from drawn import cohort_of
from feet_in_parts import (
    assert_same,
    deal_children,
    in_memory,
    in_parts,
    write_parts,
)
from networks_drawn import as_one, draw_rows, write_exports

from analytics.analyses import casts, laid_aside, network_indicators, network_models
from analytics.analyses.design import Covariate
from analytics.analyses.hazards import SEVERITY_AND_USE
from analytics.analyses.in_parts import open_batches, plan_batches, read_feet
from analytics.analyses.indicators import estimates
from analytics.analyses.laid_aside import pack
from analytics.analyses.network_designs import Casts, Hazards, Values, choose
from analytics.analyses.network_indicators import Groups, OneIndicator, list_network
from analytics.analyses.network_models import (
    CastRows,
    HazardRows,
    cast_effects,
    hazard_effects,
)
from analytics.courses.network import settle_network
from analytics.definitions.indicators import INDICATORS
from analytics.errors import OutputError
from analytics.intake.engine import Engine

FOOT = """
child side  started_on corrected_on brace_on   relapse_on last_seen_on n_casts is_corrected pirani_start clinic
c1    left  2024-01-01 2024-02-01   2024-02-02 .          2025-01-01   5       yes          4.0          A
"""  # noqa: E501


@pytest.fixture(scope="module")
def expected():
    """The numbers of the demo in memory, by name, each worked out once."""
    kept = {}

    def find(result):
        if result.name not in kept:
            kept[result.name] = in_memory(demo_cohort(), result)
        return kept[result.name]

    return find


@pytest.mark.parametrize("n_parts", [1, 2])
def test_numbers_of_the_demo_in_parts_are_those_in_memory(tmp_path, expected, n_parts):
    cohort = demo_cohort()
    found = in_parts(write_parts(cohort, tmp_path, deal_children(cohort, n_parts)))
    assert len(found) == 27
    for result in found:
        assert_same(result, expected(result))


def test_the_order_of_parts_changes_nothing_but_the_last_digits(tmp_path, expected):
    cohort = demo_cohort()
    chosen = deal_children(cohort, 5)[::-1]
    nobody = np.zeros(len(cohort.feet), dtype=bool)
    event = cohort.feet["relapse_on"].notna()
    with_event = event.groupby(cohort.feet["child"]).transform("any").to_numpy()
    # An empty part, and one in which nothing happens.
    chosen = [nobody, *(own & with_event for own in chosen), ~with_event]
    for result in in_parts(write_parts(cohort, tmp_path, chosen)):
        assert_same(result, expected(result))


def test_hazards_of_clinics_pile_by_pile_are_those_in_memory_children_of_two_piles_too(
    tmp_path, monkeypatch
):
    cohort = demo_cohort()
    clinic = cohort.feet["clinic"]
    other = clinic.iloc[np.random.default_rng(5).permutation(len(clinic))].array
    cohort = replace(cohort, feet=cohort.feet.assign(clinic=other))
    monkeypatch.setattr(network_models, "PILE_FEET", 100)
    model = Hazards("relapse", SEVERITY_AND_USE, cohort.protocol.landmark_days)
    network = write_parts(cohort, tmp_path, deal_children(cohort, 3))
    with open_batches(network, Engine("serial"), full=1) as batches:
        chosen = choose(batches.nobody, model, *batches.ask([Values(model)]))
        (asked,) = batches.ask([HazardRows(model, chosen)])
        assert len({pile for dealt in asked.facts for pile in dealt.piles}) > 5
        assert min(dealt.n_shared for dealt in asked.facts) > 10
        found = hazard_effects(batches.nobody, model, chosen, asked)
    assert_same(found, in_memory(cohort, found))


@pytest.mark.parametrize("is_number", [True, False])
def test_casts_of_blocks_without_a_level_or_with_a_score_of_0_alone_are_those_in_memory(
    tmp_path, monkeypatch, is_number
):
    monkeypatch.setattr(network_models, "BLOCK_FEET", 1)
    cohort = demo_cohort()
    feet, rng = cohort.feet, np.random.default_rng(7)
    chosen = feet["child"].isin(feet["child"].unique()[:500])
    feet = feet.assign(
        pirani_start=feet["pirani_start"].mask(rng.random(len(feet)) < 0.4, 0.0),
        band=pd.array(rng.choice(["low", "high"], len(feet)), dtype="string"),
    )[chosen].reset_index(drop=True)
    cohort = replace(cohort, feet=feet)
    score, adjust = ("pirani_start", "band") if is_number else ("band", "pirani_start")
    model = Casts(score, (Covariate(adjust), Covariate("sex")))
    network = write_parts(cohort, tmp_path, deal_children(cohort, 3))
    with open_batches(network, Engine("serial"), full=1) as batches:
        chosen = choose(batches.nobody, model, *batches.ask([Values(model)]))
        (asked,) = batches.ask([CastRows(model, chosen)])
        found = cast_effects(batches.nobody, model, chosen, asked)
    assert_same(found, casts.effects(cohort, score=score, adjust=model.adjust))


def test_processes_give_the_very_numbers_of_one_process_whatever_ends_first(tmp_path):
    cohort = demo_cohort()
    network = write_parts(cohort, tmp_path, deal_children(cohort, 3))
    pairs = zip(in_parts(network), in_parts(network, Engine("processes", 2)), strict=True)
    for one, other in pairs:
        pd.testing.assert_frame_equal(one.frame, other.frame, check_exact=True)
        assert one.context == other.context


@pytest.mark.parametrize("full", [1, 1000])
def test_numbers_of_settled_exports_with_moved_children_are_those_in_memory(tmp_path, full):
    exports = write_exports(tmp_path, draw_rows(3, 9))
    cohort = as_one(exports)[1]
    with settle_network(exports, Engine("serial", part_bytes=1)) as network:
        found = in_parts(network, full=full)
    for result in found:
        assert_same(result, in_memory(cohort, result))


def test_indicators_by_two_columns_at_once_are_those_in_memory(tmp_path):
    cohort, by = demo_cohort(), ("clinic", "quarter")
    asked_of = tuple(INDICATORS.values())
    network = write_parts(cohort, tmp_path, deal_children(cohort, 2))
    with open_batches(network, Engine("serial"), full=1) as batches:
        listed = list_network(*batches.ask([Groups(by)]), by)
        answers = batches.ask([OneIndicator(one, listed.labels) for one in asked_of])
        pairs = list(zip(asked_of, answers, strict=True))
        found = network_indicators.estimates(batches.nobody, "headline", listed, pairs)
    assert_same(found, estimates(cohort, asked_of, by=by, question="headline"), rtol=1e-9)


@pytest.mark.parametrize("n_feet", [0, 1])
def test_one_foot_or_none_is_answered_as_in_memory(tmp_path, n_feet):
    cohort = cohort_of(FOOT)
    cohort = replace(cohort, feet=cohort.feet.iloc[:n_feet])
    network = write_parts(cohort, tmp_path, [np.ones(n_feet, dtype=bool)])
    for result in in_parts(network):
        assert_same(result, in_memory(cohort, result))


def test_blocks_of_casts_hold_whole_children_and_few_feet_and_clinics(monkeypatch):
    monkeypatch.setattr(network_models, "BLOCK_FEET", 4)
    monkeypatch.setattr(network_models, "BLOCK_CLINICS", 2)
    child = np.array([0, 0, 1, 1, 1, 2, 3, 3, 4, 5])
    clinic = np.array([0, 0, 0, 0, 0, 0, 1, 1, 2, 3])
    cuts = [(place.start, place.stop) for place in network_models._cut(child, clinic)]
    assert cuts == [(0, 5), (5, 8), (8, 10)]
    assert network_models._cut(child[:0], clinic[:0]) == []


def test_batches_hold_parts_in_order_and_none_without_feet():
    places = [str(n) for n in range(6)]
    assert plan_batches(places, [3, 0, 4, 9, 1, 1], 6) == (("0", "2"), ("3",), ("4", "5"))
    assert plan_batches(places[:1], [0], 6) == ()


def test_only_the_columns_asked_for_are_read_and_a_carried_one_that_none_has_is_missing(tmp_path):
    cohort = cohort_of(FOOT)
    network = write_parts(cohort, tmp_path, [np.ones(1, dtype=bool)])
    feet = read_feet(network.parts, frozenset({"child", "n_casts", "extra_ward", "few_children"}))
    assert list(feet.columns) == ["child", "n_casts", "extra_ward"]
    assert feet["extra_ward"].isna().all()


@pytest.mark.parametrize(
    ("values", "kind"),
    [([1.0, 127], "int8"), ([1, -200], "int16"), ([7300.0, 4e4], "int32"), ([0.5, 1e9], "float32"),
     ([1 / 3], "float64"), ([2**40], "float32"), ([2**40 + 1], "int64"), ([np.nan, 1], "float64"),
     ([np.inf], "float32")],
)  # fmt: skip
def test_numbers_are_laid_aside_in_fewer_bytes_without_a_change(values, kind):
    given = np.array(values)
    packed = pack(given)
    assert packed.dtype == kind
    np.testing.assert_array_equal(packed.astype(given.dtype), given)


def test_a_disk_that_fills_while_rows_are_laid_aside_is_told_and_nothing_is_left(
    tmp_path, monkeypatch
):
    network = write_parts(cohort_of(FOOT), tmp_path, [np.ones(1, dtype=bool)])

    def fill(packer, blocks):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(laid_aside._Packer, "dump", fill, raising=False)
    with pytest.raises(OutputError, match="No space"):
        in_parts(network)
    assert [path.name for path in tmp_path.iterdir()] == ["part0"]
