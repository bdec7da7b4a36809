"""A reader with all public tables of a run, tried as an integer program, recovers nothing.

``tests/benchmarks/disclosure.py`` tries far more networks, two runs of each, and says how often a
count is still recovered; these few are those in which it once was, and must not be again.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from adversary import SMALL, Model, compare_runs, read_run, recovered
from networks import as_of, whole_lives
from public_run import public_run

from analytics.sharing.released import Released

NOW = "2026-01-01"


@pytest.mark.parametrize("seed", [1, 2, 5])
def test_no_withheld_small_count_is_worked_out_from_all_tables_together(seed: int) -> None:
    model = Model()
    read_run(model, public_run(as_of(whole_lives(seed), NOW)), "now")
    assert sum(model.truth[key] in SMALL for key in model.withheld) > 20
    found = recovered(model)
    assert not found, "\n".join(found)


def test_the_reader_finds_what_is_given_away() -> None:
    """With one withheld cell shown again in one table alone, others beside it fall."""
    run = public_run(as_of(whole_lives(3), NOW))
    model = Model()
    read_run(model, [_unhide(shown) for shown in run], "now")
    assert recovered(model)


def _unhide(shown):  # type: ignore[no-untyped-def]
    """Show again the second of the withheld numerators of a table by quarter."""
    released: Released = shown.released
    if released.name != "quarters_care_by_quarter":
        return shown
    hidden = released.hidden.copy()
    frame = released.frame.copy()
    true = shown.result.frame.reset_index(drop=True)
    for column in ("n", "denominator", "numerator"):
        shows = true[column] >= 5
        hidden.loc[shows, column] = False
        frame[column] = frame[column].mask(shows, true[column])
    return replace(shown, released=replace(released, hidden=hidden, frame=frame))


def test_the_last_report_is_read_as_well() -> None:
    """Two runs are tied to each other, and no true value is ruled out by it."""
    lives = whole_lives(1)
    model = Model()
    read_run(model, public_run(as_of(lives, NOW)), "now")
    n_rows = len(model.rows)
    read_run(model, public_run(as_of(lives, "2025-10-01")), "then")
    compare_runs(model, "then", "now")
    assert len(model.rows) > 2 * n_rows
    # The true counts fit all that the reader knows, or the program would have no answer.
    assert isinstance(recovered(model), list)
