"""One large text file, cut into spans or read whole: the same rows, records, ledger and cohort."""

from __future__ import annotations

import random
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from networks_drawn import as_one, assert_same, in_parts
from registers_drawn import CODINGS, draw_register, exports_of, write_file
from test_parts_properties import CHANGES

from analytics.intake import cut, part
from analytics.intake.cut import cut_text
from analytics.intake.engine import Engine
from analytics.intake.read import read_sheet
from analytics.intake.texts import plain_texts, stack_texts

FEW = settings(max_examples=4, deadline=None, phases=(Phase.explicit, Phase.generate))
MANY = settings(FEW, max_examples=40)
ENGINE = Engine("serial", part_bytes=1)
FORMS = st.fixed_dictionaries(
    {
        "delimiter": st.sampled_from([",", ";", "\t"]),
        "titles": st.sampled_from([[], ["Register", 'of "all" clinics']]),
        "ends": st.sampled_from(
            [["\n"], ["\r\n"], ["\n", "\r\n"], ["\n", "\n", "\r\n", "\r"], ["\r", "\n"]]
        ),
        "remark": st.sampled_from(["free text", "free\ntext"]),
        "closed": st.booleans(),
        "coding": st.sampled_from(CODINGS),
    }
).map(lambda form: {**form, **form["coding"]})


@MANY
@given(form=FORMS, seed=st.integers(0, 10**9), span_bytes=st.sampled_from([2, 90, 400, 2_000]))
def test_rows_of_spans_are_the_rows_of_the_file(form, seed, span_bytes):
    draw = random.Random(seed)
    rows = draw.sample(draw_register(2, draw), 30)
    if draw.random() < 0.5:  # then no quote is needed, and rows are read by the faster reader
        rows = [row | {"free text": "plain"} for row in rows]
    with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        patch.setattr(cut, "FEWEST_BYTES", span_bytes)
        path = Path(folder) / "register.csv"
        write_file(path, rows, form, draw)
        how = exports_of(path, form).sources[0][1].file
        sha256, spans = cut_text(path, how, span_bytes)
        whole = read_sheet(path, how)
        if "\r" not in form["ends"]:  # else the headings may end with one, which is not cut
            assert len(spans) > 1
        if spans:
            pieces = [read_sheet(path, how, span) for span in spans]
            assert sha256 == whole.sha256
            np.testing.assert_array_equal(np.concatenate([p.line for p in pieces]), whole.line)
            aside = plain_texts(stack_texts([p.aside for p in pieces]))
            assert aside.equals(plain_texts(whole.aside))
            cells = pd.concat([p.cells.astype(object) for p in pieces], ignore_index=True)
            pd.testing.assert_frame_equal(cells, whole.cells.astype(object))


@FEW
@given(
    form=FORMS,
    seed=st.integers(0, 10**9),
    span_bytes=st.sampled_from([2_500, 6_000, 14_000]),
    changes=CHANGES,
)
def test_a_file_cut_into_any_spans_gives_what_it_gives_whole(form, seed, span_bytes, changes):
    draw = random.Random(seed)
    rows = draw_register(4, draw)
    for place, name, text in changes:
        rows[place % len(rows)][name] = text
    rows += [dict(draw.choice(rows)) for _ in range(3)]
    with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        patch.setattr(part, "BUCKET_CHILDREN", 2)
        patch.setattr(cut, "FEWEST_BYTES", span_bytes)
        path = Path(folder) / "register.csv"
        write_file(path, rows, form, draw)
        exports = exports_of(path, form)
        assert_same(as_one(exports), in_parts(exports, ENGINE))
