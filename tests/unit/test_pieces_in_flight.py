"""Pieces of work are handed out as others are done: results in order, never many waiting."""

from __future__ import annotations

from concurrent.futures import Executor, Future

import pytest

from analytics.intake.engine import WAITING, _map


class Counting(Executor):
    """Does the work at once, and counts the results that nobody has taken yet."""

    def __init__(self):
        self.untaken, self.most, self.cancelled = 0, 0, 0

    def submit(self, function, piece):
        self.untaken += 1
        self.most = max(self.most, self.untaken)
        return Counted(self, function(piece))


class Counted(Future):
    def __init__(self, executor, result):
        super().__init__()
        self.executor = executor
        self.held = result

    def result(self, timeout=None):
        self.executor.untaken -= 1
        return self.held

    def cancel(self):
        self.executor.cancelled += 1
        return super().cancel()


def test_results_come_in_order_and_few_pieces_wait():
    executor = Counting()
    assert [*_map(executor, 2, str, range(100))] == [*map(str, range(100))]
    assert executor.most == 2 * WAITING


def test_what_was_handed_out_is_taken_back_when_nobody_asks_on():
    executor = Counting()
    results = _map(executor, 1, str, range(100))
    assert next(results) == "0"
    with pytest.raises(ZeroDivisionError):
        results.throw(ZeroDivisionError)
    assert executor.cancelled == executor.untaken == WAITING - 1
