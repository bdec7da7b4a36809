"""Clinics on public pages: under which letters, which together, and never quarter by quarter."""

from __future__ import annotations

import pandas as pd
from shown import context, estimates_frame

from analytics.definitions.policies import INTERNAL, PUBLIC
from analytics.display.words import findings
from analytics.results import COMPARISON, ESTIMATES, TREND, Result
from analytics.sharing.clinics import OTHER_CLINICS, draw_letters, letters
from analytics.sharing.protect import protect


def test_quarters_of_single_clinics_do_not_leave() -> None:
    lines = [(clinic, f"2024Q{q}", 20, 40, 0.5, 0.5, 0.2, 0.8, "none")
             for clinic in ("Asmara", "Birao") for q in (1, 2)]  # fmt: skip
    frame = pd.DataFrame(lines, columns=["clinic", *TREND.columns])
    beside = {"children": pd.DataFrame({"clinic": ["Asmara", "Birao"], "children": [40, 40]})}
    result = Result(TREND, frame, context("trend_initial_correction"), ("clinic",), beside)
    released = protect(result, PUBLIC)
    assert released.frame.empty and released.beside == {}
    assert "withheld" in findings(released, "en")[0]
    assert len(protect(result, INTERNAL).frame) == 4
    whole = Result(TREND, frame.iloc[:2, 1:], context("trend_initial_correction"))
    assert len(protect(whole, PUBLIC).frame) == 2


def test_letters_follow_neither_size_nor_name_and_stay() -> None:
    names = [f"Clinic {i:02d}" for i in range(40)]
    children = pd.Series(range(10, 50), index=names)
    drawn = draw_letters(children, 10, b"a key for tests")
    # As places: how far each of the two orders agrees with the letters (Spearman).
    places = pd.Series({name: (len(code), code) for name, code in drawn.items()}).rank()
    assert sorted(drawn.values(), key=lambda c: (len(c), c))[-1] == letters(39)
    assert abs(places[names].corr(children.rank(), method="spearman")) < 0.5
    assert draw_letters(children[::-1] * 3, 10, b"a key for tests") == drawn
    assert draw_letters(children, 10, b"another key here") != drawn


def test_clinics_that_a_report_shows_as_one_are_so_in_every_table() -> None:
    sizes = {"Asmara": 60, "Birao": 90, "Cinta": 6, "Edu": 12}
    codes = draw_letters(pd.Series(sizes), 10, b"a key for tests")
    assert set(codes) == {"Asmara", "Birao"}
    rows = [
        {"clinic": name, "n": n, "denominator": n, "numerator": n // 2}
        for name, n in {"Asmara": 600, "Birao": 900, "Cinta": 300, "Edu": 400}.items()
    ]
    many = Result(ESTIMATES, estimates_frame(rows), context(unit="record"), ("clinic",))
    shown = protect(many, PUBLIC, codes=codes).frame
    assert shown["clinic"].tolist() == ["A", "B", OTHER_CLINICS]
    assert shown["n"].iloc[2] == 700


def test_letters_go_on_after_z() -> None:
    assert [letters(i) for i in (0, 25, 26, 27, 701, 702)] == ["A", "Z", "AA", "AB", "ZZ", "AAA"]


def test_units_of_a_comparison_lose_their_names() -> None:
    lines = [(name, n // 2, n, n / 2, 0.5, 0.5, 0.4, 0.6, "as_expected")
             for name, n in (("Asmara", 60), ("Birao", 90), ("Edu", 40))]  # fmt: skip
    frame = pd.DataFrame(lines, columns=list(COMPARISON.columns))
    shown = protect(Result(COMPARISON, frame, context()), PUBLIC).frame
    assert shown["unit"].tolist() == ["A", "B", "C"]
