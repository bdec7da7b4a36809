"""Groups of rows in many files: what is read back is what stood there, columns and all."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from analytics.intake import groups
from analytics.intake.frames import stack_frames
from analytics.intake.groups import read_groups, write_groups
from analytics.intake.texts import plain_frame

KINDS = {
    "seq": "int64",
    "text": "string",
    "yes": "boolean",
    "day": "datetime64[s]",
    "score": "Float64",
}


def draw_frame(rng, n: int, *, without: str = "") -> pd.DataFrame:
    held = {
        "seq": np.arange(n),
        "text": pd.array(rng.choice(["", "a", "\u00e9\u4e2d", None], n), dtype="string"),
        "yes": pd.array(rng.choice([True, False, None], n), dtype="boolean"),
        "day": rng.choice(np.array(["2020-02-29", "NaT"], "datetime64[s]"), n),
        "score": pd.array(rng.choice([0.1, np.nan, -0.0], n), dtype="Float64"),
    }
    return pd.DataFrame(held).drop(columns=[without] if without else []).astype(
        {name: kind for name, kind in KINDS.items() if name != without}
    )  # fmt: skip


@pytest.mark.parametrize("at_once", [2, 64])
def test_a_group_of_many_files_is_theirs_under_each_other(tmp_path, monkeypatch, at_once):
    monkeypatch.setattr(groups, "AT_ONCE", at_once)
    rng = np.random.default_rng(3)
    ends = [np.array([0, 3, 3, 7]), np.array([0, 0, 2, 2]), np.array([0, 0, 0, 4])]
    frames = [
        draw_frame(rng, 7),
        draw_frame(rng, 2, without="yes"),
        draw_frame(rng, 4).assign(extra_b="b").astype({"extra_b": "string"}),
    ]
    paths = [tmp_path / f"{n}.arrow" for n in range(3)]
    for path, frame, end in zip(paths, frames, ends, strict=True):
        write_groups(path, {"one": frame, "other": frame[:0]}, {"one": end, "other": end * 0})
    for number in range(3):
        own = [
            frame[end[number] : end[number + 1]].reset_index(drop=True)
            for frame, end in zip(frames, ends, strict=True)
        ]
        read = read_groups(paths, number)
        found, sizes = read["one"]
        pd.testing.assert_frame_equal(plain_frame(found), stack_frames(own))
        assert [*sizes] == [len(frame) for frame in own]
        nothing, sizes = read["other"]
        assert [*nothing.columns] == [*found.columns] and not len(nothing)
        assert [*sizes] == [0, 0, 0]


def test_coded_texts_come_back_coded(tmp_path):
    frame = pd.DataFrame({"text": pd.Categorical(["b", None, "a", "b"], ["b", "unused", "a"])})
    write_groups(tmp_path / "one.arrow", {"one": frame}, {"one": np.array([0, 1, 4])})
    found, _ = read_groups([tmp_path / "one.arrow"], 1)["one"]
    wanted = pd.DataFrame({"text": pd.array([None, "a", "b"], dtype="string")})
    assert found["text"].dtype == "category"
    pd.testing.assert_frame_equal(plain_frame(found), wanted)
