"""One part or many, one process or many, whatever ends first: the same records and cohort."""

from __future__ import annotations

import tempfile
from contextlib import contextmanager
from pathlib import Path

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from networks_drawn import as_one, assert_same, draw_rows, in_parts, write_exports

from analytics.courses import network
from analytics.intake import part
from analytics.intake.engine import Engine
from analytics.intake.kept import Folder

#: What a clerk could have left in a cell, by heading.
FAULTS = {
    "number": ["", "0", "3", "Total"],
    "visited_on": ["", "2031-01-01", "31/02/2024", "2024-02-01"],
    "birth_on": ["", "2024-01-20", "2003-01-01"],
    "pirani_total": ["9", "4,5", "x"],
    "brace_hours": ["-1", "40"],
    "side": ["", "left"],
    "sex": ["", "male"],
    "left_on": ["2024-03-01", "2031-01-01"],
    "clinic": ["", "N01"],
}
CHANGES = st.lists(
    st.sampled_from(sorted(FAULTS)).flatmap(
        lambda name: st.tuples(st.integers(0, 10_000), st.just(name), st.sampled_from(FAULTS[name]))
    ),
    max_size=14,
)
REPEATS = st.lists(st.tuples(st.integers(0, 10_000), st.integers(0, 10_000)), max_size=5)


#: A network takes a second; a failing case is told as it was drawn.
FEW = settings(max_examples=6, deadline=None, phases=(Phase.explicit, Phase.generate))


@FEW
@given(
    n_clinics=st.integers(1, 4),
    part_bytes=st.sampled_from([1, 9_000, 10**9]),
    changes=CHANGES,
    repeats=REPEATS,
    is_reversed=st.booleans(),
)
def test_parts_change_nothing(n_clinics, part_bytes, changes, repeats, is_reversed):
    clinics = draw_rows(n_clinics, 6)
    flat = [row for rows in clinics for row in rows]
    for place, name, text in changes:
        flat[place % len(flat)][name] = text
    for place, clinic in repeats:
        clinics[clinic % n_clinics].append(dict(flat[place % len(flat)]))
    with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        patch.setattr(part, "BUCKET_CHILDREN", 1)
        if is_reversed:
            patch.setattr(network, "working", _last_first)
        exports = write_exports(Path(folder), clinics, ("ward", "district"))
        assert_same(as_one(exports), in_parts(exports, Engine("serial", part_bytes=part_bytes)))


@contextmanager
def _last_first(engine, kind):
    """An engine on which what was asked last is done first."""
    del engine, kind
    yield lambda function, pieces: reversed([function(piece) for piece in reversed(pieces)])


def test_processes_change_nothing(tmp_path):
    exports = write_exports(tmp_path, draw_rows(3, 9))
    engine = Engine("processes", processes=2, part_bytes=1)
    assert_same(as_one(exports), in_parts(exports, engine))


def test_children_are_shared_and_alone_in_these_networks(tmp_path):
    """The drawn networks put both ways to the test."""
    exports = write_exports(tmp_path, draw_rows(3, 9))
    with network.settle_network(exports, Engine("serial", part_bytes=1)) as settled:
        assert len(settled.parts) == 4
        n_rows = [len(Folder(place).read("book_rows")) for place in settled.parts]
    # All children of the first clinic move: nothing is left of it but what goes to the bucket.
    assert [n > 0 for n in n_rows] == [False, True, True, True]
