"""A run that is repeated, changed, or cut off: what is kept, what is made again, what is told."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest
from intake_tables import KEY
from networks_drawn import assert_same, draw_rows, in_parts, write_exports

from analytics.courses import network, pieces
from analytics.courses.together import open_parts
from analytics.errors import OutputError, WorkError
from analytics.intake.engine import Engine, working
from analytics.intake.part import hash_export


@pytest.fixture
def clinics():
    return draw_rows(3, 6)


@pytest.fixture(autouse=True)
def program(monkeypatch):
    """The program stays the same during a test, whoever works on it meanwhile."""
    monkeypatch.setattr(network, "stamp_program", lambda: "this program")


def engine_with(cache: Path) -> Engine:
    return Engine("serial", cache=cache, part_bytes=1)


def parts_in(cache: Path) -> set[str]:
    return {path.name for path in cache.iterdir() if path.is_dir()}


def test_the_same_exports_are_not_read_again(tmp_path, clinics, monkeypatch):
    exports, engine = write_exports(tmp_path, clinics), engine_with(tmp_path / "cache")
    first = in_parts(exports, engine)
    for name in ("settle_part", "settle_bucket"):
        monkeypatch.setattr(network, name, None)
    monkeypatch.setattr(pieces, "find_children", None)
    assert_same(first, in_parts(exports, engine))


def test_only_what_changed_is_read_again_and_the_result_is_that_of_a_full_run(tmp_path, clinics):
    cache = tmp_path / "cache"
    in_parts(write_exports(tmp_path, clinics), engine_with(cache))
    before = parts_in(cache)
    alone = next(row for row in clinics[2] if row["number"] == "5")
    clinics[2].append(alone | {"visited_on": "2024-06-01", "purpose": "brace_review"})
    exports = write_exports(tmp_path, clinics)
    again = in_parts(exports, engine_with(cache))
    # The part of clinic 2 and the bucket that its moved children share are new.
    assert (len(before), len(parts_in(cache) - before)) == (4, 2)
    assert_same(in_parts(exports, engine_with(tmp_path / "other")), again)


def test_a_folder_is_another_export_when_a_file_in_it_is_renamed(tmp_path):
    # Addresses name the file, and one of another ending is not read.
    for name in ("one", "same"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "a.ndjson").write_bytes(b"{}")
        (tmp_path / name / "b.ndjson").write_bytes(b"[]")
    before = hash_export(tmp_path / "one")
    assert hash_export(tmp_path / "same") == before
    (tmp_path / "one" / "b.ndjson").rename(tmp_path / "one" / "b.ndjson.old")
    assert hash_export(tmp_path / "one") != before


def test_what_another_run_uses_is_left_alone_for_days(tmp_path, clinics):
    exports, cache = write_exports(tmp_path, clinics), tmp_path / "cache"
    with network.settle_network(exports, engine_with(cache)) as other:
        later = network.Exports(
            exports.sources, exports.key, exports.programme, exports.cut_off.replace(month=5)
        )
        in_parts(later, engine_with(cache))
        assert all(part.is_dir() for part in other.parts)


def test_what_no_run_uses_is_taken_away_in_the_end(tmp_path, clinics, monkeypatch):
    exports, cache = write_exports(tmp_path, clinics), tmp_path / "cache"
    in_parts(exports, engine_with(cache))
    (cache / "left over").mkdir()
    monkeypatch.setattr(network, "KEPT_SECONDS", -1)
    in_parts(exports, engine_with(cache))
    assert len(parts_in(cache)) == 4


@pytest.mark.parametrize("what", ["key", "cut_off"])
def test_another_key_or_day_makes_all_parts_again(tmp_path, clinics, what):
    cache = tmp_path / "cache"
    exports = write_exports(tmp_path, clinics)
    in_parts(exports, engine_with(cache))
    before = parts_in(cache)
    other = {"key": "another key for tests", "cut_off": exports.cut_off.replace(month=5)}
    in_parts(
        network.Exports(
            exports.sources,
            other["key"] if what == "key" else exports.key,
            exports.programme,
            other["cut_off"] if what == "cut_off" else exports.cut_off,
        ),
        engine_with(cache),
    )
    assert (len(before), len(parts_in(cache) - before)) == (4, 4)


def test_a_run_that_is_cut_off_leaves_whole_parts_alone_and_goes_on_from_them(
    tmp_path, clinics, monkeypatch
):
    exports, cache = write_exports(tmp_path, clinics), tmp_path / "cache"
    settle, asked = network.settle_part, []

    def cut_off_at_the_second(piece):
        asked.append(piece.part.first)
        if len(asked) == 2:
            raise KeyboardInterrupt
        settle(piece)

    monkeypatch.setattr(network, "settle_part", cut_off_at_the_second)
    with pytest.raises(KeyboardInterrupt):
        in_parts(exports, engine_with(cache))
    assert len(parts_in(cache)) == 1
    assert not [path for path in cache.iterdir() if path.suffix == ".part"]
    resumed = in_parts(exports, engine_with(cache))
    assert asked == [0, 1, 1, 2]
    assert_same(in_parts(exports, engine_with(tmp_path / "other")), resumed)


def test_a_part_that_fails_is_the_error_of_its_export(tmp_path, clinics):
    clinics[1][0]["sex"] = "neither"
    exports = write_exports(tmp_path, clinics)
    with pytest.raises(Exception, match="clinic1.csv, line 2"):
        in_parts(exports, engine_with(tmp_path / "cache"))
    assert len(parts_in(tmp_path / "cache")) == 1


def test_a_full_disk_is_told_and_nothing_half_written_stays(tmp_path, clinics, monkeypatch):
    def fill_up(folder, *args):
        (folder / "half.parquet").write_bytes(b"half")
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(pieces, "write_kept", fill_up)
    with pytest.raises(OutputError, match="No space left"):
        in_parts(write_exports(tmp_path, clinics), engine_with(tmp_path / "cache"))
    assert not parts_in(tmp_path / "cache")


def test_a_disk_that_is_full_at_the_first_look_keeps_nothing(tmp_path, clinics, monkeypatch):
    def fill_up(*_):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(pieces.np, "save", fill_up)
    with pytest.raises(OutputError, match="No space left"):
        in_parts(write_exports(tmp_path, clinics), engine_with(tmp_path / "cache"))
    assert not [*(tmp_path / "cache").iterdir()]


def test_a_process_that_dies_is_told_with_what_to_do():
    engine = Engine("processes", processes=1)
    with pytest.raises(WorkError, match="ended from outside"), working(engine, "processes") as over:
        list(over(os._exit, [1]))


def test_the_cache_holds_no_identifier_and_no_key(tmp_path, clinics):
    in_parts(write_exports(tmp_path, clinics), engine_with(tmp_path / "cache"))
    held = b"".join(p.read_bytes() for p in (tmp_path / "cache").rglob("*") if p.is_file())
    assert b"N01" in held
    for secret in (b"Person", b"0700 555", KEY.encode()):
        assert secret not in held


def test_a_folder_that_cannot_be_written_is_told(tmp_path, clinics):
    (tmp_path / "cache").write_text("a file where the folder should be")
    with pytest.raises(OutputError, match="could not be written"):
        in_parts(write_exports(tmp_path, clinics), engine_with(tmp_path / "cache"))


def test_small_networks_stay_in_this_process_and_are_not_kept(tmp_path, clinics):
    exports = write_exports(tmp_path, clinics)
    cache = tmp_path / "cache"
    with open_parts(exports, Engine(cache=cache)) as parts:
        assert len(parts.each) == 1
    assert not cache.exists()
