"""A reader with all public tables of a run, tried as an integer program, recovers nothing.

``tests/benchmarks/disclosure.py`` tries a thousand networks, two runs of each; these few are those
in which a count was once recovered, and must not be again.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from adversary import SMALL, Model, compare_runs, recovered
from adversary_reads import read_run
from networks import as_of, whole_lives
from public_run import public_run

from analytics.sharing.released import Released

NOW, THEN = "2026-01-01", "2025-10-01"


@pytest.mark.parametrize(
    ("seed", "children"),
    [*((seed, (25, 140)) for seed in (1, 2, 5, 21, 27, 37)), (339, (140, 1200))],
)
def test_no_small_count_is_worked_out_from_all_tables_of_two_reports(
    seed: int, children: tuple[int, int]
) -> None:
    lives = whole_lives(seed, children)
    model = Model()
    read_run(model, public_run(as_of(lives, NOW)), "now")
    n_rows, n_small = len(model.rows), sum(model.truth[key] in SMALL for key in model.withheld)
    assert n_small > 10
    read_run(model, public_run(as_of(lives, THEN)), "then")
    compare_runs(model, "then", "now")
    assert len(model.rows) > 2 * n_rows
    # The true counts fit all that the reader knows, or the program would have no answer.
    found = recovered(model)
    assert not found, "\n".join(found)


def test_the_reader_finds_what_exact_counts_give_away() -> None:
    """With the counts of one table by quarter shown as they are, small ones in others fall."""
    model = Model()
    read_run(model, public_run(as_of(whole_lives(3), NOW)), "now")
    n_ends = len(model.ends)
    for key, true in model.truth.items():
        if key[2] == "quarter" and true not in SMALL:
            model.ends[key] = (true, true)
    assert n_ends and recovered(model)


def test_what_a_public_table_shows_is_all_that_the_reader_is_given() -> None:
    shown = next(iter(public_run(as_of(whole_lives(3), NOW))))
    released: Released = shown.released
    wrong = replace(shown, released=replace(released, frame=released.frame.assign(n=47)))
    with pytest.raises(AssertionError):
        read_run(Model(), [wrong], "now")
