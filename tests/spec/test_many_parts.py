"""What lists rows reads them part by part: the same lines from one part in memory and from many."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from types import SimpleNamespace

import pandas as pd
import pytest
from networks_drawn import draw_rows, write_exports

from analytics.analyses.records import estimates
from analytics.analyses.trace import trace
from analytics.courses.network import settle_network
from analytics.courses.together import Parts, gather_cohort, open_parts
from analytics.definitions.indicators import INDICATORS
from analytics.errors import BalanceError
from analytics.intake.engine import Engine
from analytics.intake.kept import Folder, Held
from analytics.reports import fixing
from analytics.reports.console import list_worst_faults
from analytics.reports.fixing import build_records_to_fix, list_kinds
from analytics.reports.pairs import build_pairs

#: Before the last visits.
EARLIER = date(2024, 4, 1)

SETTINGS = SimpleNamespace(language="en", cut_off=EARLIER, sources=())


@pytest.fixture(scope="module")
def both(tmp_path_factory):
    """The same network as one part in memory, and as a part for each file with its buckets."""
    clinics = draw_rows(3, 9)
    for row in (clinics[0][3], clinics[0][4], clinics[1][2]):
        row["pirani_total"] = "9"
    clinics[1][5]["visited_on"] = "2031-01-01"
    clinics[2][7]["side"] = ""
    clinics[2].append(dict(clinics[2][1]))
    # A visit of the same day: first in the export and by the alphabet, last by purpose.
    clinics[2].insert(0, {**clinics[2][6], "purpose": "brace_fitting"})
    exports = write_exports(tmp_path_factory.mktemp("exports"), clinics)
    exports = replace(exports, cut_off=EARLIER)
    apart = Engine("serial", part_bytes=1)
    with open_parts(exports, Engine()) as one, settle_network(exports, apart) as network:
        each = tuple(map(Folder, network.parts))
        many = Parts(each, network.sources, exports.programme, exports.cut_off)
        yield [(parts.each, gather_cohort(parts)) for parts in (one, many)]


def test_a_small_network_is_one_part_in_memory_and_the_other_is_not(both):
    (one, _), (many, _) = both
    assert [type(part) for part in one] == [Held]
    assert len(many) == 4 and all(isinstance(part, Folder) for part in many)


def test_every_fate_and_fault_of_the_books_is_in_the_totals(both):
    for parts, cohort in both:
        rows = pd.concat([part.read("book_rows") for part in parts])
        counted = rows.groupby(["file", "fate"]).size()
        summed = cohort.totals.rows.groupby(["file", "fate"])["n"].sum()
        assert {"kept", "merged", "quarantined"} <= set(rows["fate"])
        assert counted.to_dict() == summed.to_dict()
        flags = pd.concat([part.read("book_flags") for part in parts])
        of_records = cohort.totals.faults.query("found == '' and rule != 'R04'")
        assert flags.groupby("rule").size().to_dict() == of_records.groupby("rule")["n"].sum().to_dict()  # fmt: skip # noqa: E501


def test_workbooks_of_clinics_and_of_pairs_are_the_same_bytes(both, monkeypatch):
    first, *others = (dict(build_records_to_fix(*part, SETTINGS)) for part in both)
    assert {"clinic-N00.xlsx", "clinic-N01.xlsx", "clinic-N02.xlsx"} <= set(first)
    assert all(other == first for other in others)
    # As if memory held the faults of a single clinic.
    monkeypatch.setattr(fixing, "FAULTS_AT_ONCE", 1)
    assert dict(build_records_to_fix(*both[1], SETTINGS)) == first
    pairs = [build_pairs(cohort.totals.doubles, SETTINGS) for _, cohort in both]
    assert pairs[0] is not None
    assert pairs[0] == pairs[1]


def test_a_trace_and_the_faults_by_kind_are_the_same(both):
    indicator = INDICATORS["initial_correction"]
    lines = [trace(cohort, indicator, parts) for parts, cohort in both]
    assert lines[0]["line"].notna().all()
    assert lines[0]["visited_on"].le(pd.Timestamp(EARLIER)).all()
    same_day = lines[0].groupby(["child", "side", "visited_on"])["purpose"].agg(tuple)
    assert ("cast", "tenotomy", "brace_fitting") in set(same_day)
    pd.testing.assert_frame_equal(*lines)
    for told in (list_kinds, list_worst_faults):
        pd.testing.assert_frame_equal(*(told(cohort.totals.faults) for _, cohort in both))
    pd.testing.assert_frame_equal(*(estimates(cohort, by=["clinic"]).frame for _, cohort in both))


def test_a_row_that_is_lost_or_counted_twice_stops_the_report(both):
    _, cohort = both[1]
    totals = cohort.totals
    assert totals.balance()["n_read"].sum() == sum(source.n_rows for source in totals.sources)
    for change in (-1, 1):
        n = totals.rows["n"].to_numpy().copy()
        n[0] += change
        with pytest.raises(BalanceError, match="another number of fates than of rows"):
            replace(totals, rows=totals.rows.assign(n=n)).balance()
    with pytest.raises(BalanceError, match=r"clinic2\.csv"):
        replace(totals, rows=totals.rows.query("file != 'clinic2.csv'")).balance()
