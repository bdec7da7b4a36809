"""Sentences say what the frame supports, and no more."""

from __future__ import annotations

import json
from base64 import b64decode
from datetime import date

import pandas as pd
import pytest
from shown import context, curve_result, estimates_frame

from analytics.definitions.policies import INTERNAL, PUBLIC, Policy
from analytics.display import measures, numbers, terms
from analytics.display.block import BLOCK_TYPE, Block
from analytics.display.words import alt, notes, say, tell
from analytics.results import EFFECTS, ESTIMATES, FLOW, Phrase, PValue, Result, Share
from analytics.sharing.protect import protect


def told(result: Result, policy: Policy = INTERNAL) -> str:
    return "\n".join(tell(protect(result, policy), "en"))


def by_quarter(values: dict[str, tuple[float, float, float]]) -> Result:
    rows = [
        {"quarter": q, "n": 100, "denominator": 100, "numerator": round(100 * e),
         "estimate": e, "lower": low, "upper": high}
        for q, (e, low, high) in values.items()
    ]  # fmt: skip
    return Result(ESTIMATES, estimates_frame(rows), context(), ("quarter",))


def test_no_change_is_claimed_where_intervals_overlap() -> None:
    text = told(by_quarter({"2023Q1": (0.7, 0.6, 0.8), "2024Q4": (0.85, 0.75, 0.95)}))
    assert "so no change is shown" in text
    assert "do not overlap" not in text


def test_intervals_that_lie_apart_are_said_to() -> None:
    text = told(by_quarter({"2023Q1": (0.5, 0.4, 0.6), "2024Q4": (0.85, 0.75, 0.95)}))
    assert "2024 Q4 (85.0%) and 2023 Q1 (50.0%) have intervals that do not overlap" in text


def test_among_many_groups_chance_is_named_and_no_group_is() -> None:
    rows = [
        {"clinic": name, "n": 100, "denominator": 100, "numerator": round(100 * e),
         "estimate": e, "lower": e - 0.05, "upper": e + 0.05}
        for name, e in (("Asmara", 0.5), ("Birao", 0.7), ("Edu", 0.9))
    ]  # fmt: skip
    result = Result(ESTIMATES, estimates_frame(rows), context(), ("clinic",))
    first = tell(protect(result, INTERNAL), "en")[0]
    assert "chance alone" in first
    assert not any(name in first for name in ("Asmara", "Birao", "Edu"))


def test_an_estimate_is_told_with_interval_denominator_and_what_is_not_known() -> None:
    row = {"n": 100, "denominator": 80, "numerator": 40, "outside": 5, "immature": 11,
           "unknown": 4, "lower": 0.39, "upper": 0.61}  # fmt: skip
    text = told(Result(ESTIMATES, estimates_frame([row]), context()))
    assert "50.0% (39.0% to 61.0%), from 80 feet." in text
    assert "of 100 feet: 5 outside the question, 11 too early to say, 4 not recorded" in text


def test_withheld_and_not_estimable_are_said() -> None:
    few = Result(ESTIMATES, estimates_frame([{"n": 50, "denominator": 50, "numerator": 2}]),
                 context(n_feet=50))  # fmt: skip
    assert "withheld" in tell(protect(few, PUBLIC), "en")[0]
    none = Result(ESTIMATES, estimates_frame([{"n": 5, "denominator": 0, "numerator": 0,
                                               "outside": 5}]), context())  # fmt: skip
    assert "not estimable" in tell(protect(none, INTERNAL), "en")[0]


@pytest.mark.parametrize(
    ("lower", "upper", "words"),
    [(1.1, 1.5, "lies above 1"), (0.5, 0.9, "lies below 1"), (0.9, 1.5, "no difference is shown"),
     (1.0, 1.5, "no difference is shown")],
)  # fmt: skip
def test_an_effect_claims_no_more_than_its_interval(lower: float, upper: float, words: str) -> None:
    line = ("pirani_start", "", "", 200, 50, 1.2, lower, upper, 0.04)
    frame = pd.DataFrame([line], columns=list(EFFECTS.columns))
    assert words in told(Result(EFFECTS, frame, context("relapse_effects")))


def test_a_curve_says_who_is_still_followed_and_a_median_not_reached() -> None:
    rows = [(float(t), t % 9 == 0) for t in range(10, 800, 4)]
    text = told(curve_result({"": rows}))
    # By hand: 198 feet at 10, 14, .. 798; 89 of them (10 .. 362) have ended by day 365.
    assert "after 1 year" in text
    assert "109 feet still followed" in text
    assert "the median time is not reached" in text


def test_a_flow_names_what_became_of_the_others() -> None:
    lines = [("corrected", 80, 60, "lost", 15), ("corrected", 80, 60, "died", 5)]
    frame = pd.DataFrame(lines, columns=list(FLOW.columns))
    text = told(Result(FLOW, frame, context("feet")))
    assert "Corrected: 60 of 80 feet; the others: lost to follow-up 15, died 5." in text


def test_context_is_told_with_population_exclusions_cut_off_and_method() -> None:
    rows = [{"n": 50, "denominator": 50, "numerator": 25}]
    result = Result(ESTIMATES, estimates_frame(rows),
                    context(exclusions=(("lost", 30),), reference="Wilson 1927"))  # fmt: skip
    text = told(result)
    for part in ("Counted: feet", "30 (lost to follow-up)", "31 March 2025", "Wilson 1927"):
        assert part in text
    assert "March 2025" in told(result, PUBLIC) and "31 March" not in told(result, PUBLIC)


def test_phrases_are_said_with_numbers_dates_and_phrases_in_them() -> None:
    inner = Phrase("not_estimable.no_events")
    outer = Phrase("note.not_estimable", {"why": inner, "counts": "n=3"})
    assert say(outer, "en") == "Not estimable: no event was seen (n=3)."
    assert say(Phrase("note.dispersion", {"dispersion": 0.4}), "en").startswith("Casts vary 0.40")
    day = Phrase("word.is", {"day": date(2025, 3, 1)})
    assert say(day, "en") == "1 March 2025"
    assert say(day, "en", months_only=True) == "March 2025"
    assert say(Phrase("word.is", {"day": None}), "en") == "too few to show"


def test_a_code_of_ours_without_words_is_an_error_but_data_shows_as_it_came() -> None:
    with pytest.raises(KeyError):
        terms.level("diagnosis", "no_such_code", "en")
    with pytest.raises(KeyError):
        terms.column("no_such_column", "en")
    assert terms.level("clinic", "Nowhere", "en") == "Nowhere"
    assert terms.level("clinic", "as_advised", "en") == "as_advised"
    assert terms.column("extra_shoe_size", "en") == "shoe size"


@pytest.mark.parametrize(
    ("written", "words"),
    [
        (numbers.count(12345, "en"), "12,345"),
        (numbers.percent(0.7241, "en"), "72.4%"),
        (numbers.percent(1.0, "en"), "100.0%"),
        (numbers.ratio(0.9972, "en"), "0.997"),
        (numbers.ratio(1.00004, "en"), "1.0000"),
        (numbers.ratio(1.0, "en"), "1.00"),
        (numbers.percent(2042 / 2043, "en"), ">99.9%"),
        (numbers.percent(0.99949, "en"), "99.9%"),
        (numbers.percent(0.0, "en"), "0.0%"),
        (numbers.percent(1 / 2043, "en"), "<0.1%"),
        (numbers.percent(0.0005, "en"), "0.1%"),
        (numbers.percent(1 - 1e-12, "en"), "100.0%"),
        (numbers.percent(1 / 2043, "fr"), "<0,1\N{NO-BREAK SPACE}%"),
        (measures.write_limits(0.9973, 0.9999, "percent", "en"), "99.7\N{EN DASH}>99.9"),
        (measures.write(0.0002, "per_100", "en"), "<0.1"),
        (numbers.rounded(3261.64, "en"), "3,260"),
        (numbers.rounded(22.507, "en"), "22.5"),
        (numbers.rounded(0.0414, "en"), "0.041"),
        (numbers.rounded(0.0, "en"), "0"),
        (numbers.percent(0.7241, "fr"), "72,4\N{NO-BREAK SPACE}%"),
        (numbers.decimal(-0.04, "en"), "0.0"),
        (numbers.p_value(0.0004, "en"), "< 0.001"),
        (numbers.p_value(0.0123, "en"), "0.012"),
        (numbers.duration(365.25, "en"), "1 year"),
        (numbers.duration(183, "en"), "6 months"),
        (numbers.duration(45, "en"), "45 days"),
        (numbers.quarter("2024Q3", "en"), "2024 Q3"),
        (numbers.ratio(180.2, "en"), "180"),
    ],
)
def test_numbers_are_written_as_readers_expect(written: str, words: str) -> None:
    assert written == words


def test_a_block_carries_every_form_and_valid_data() -> None:
    rows = [{"clinic": f"<b>{c}</b>", "n": 60, "denominator": 60, "numerator": 30 if c else 2}
            for c in range(3)]  # fmt: skip
    result = Result(ESTIMATES, estimates_frame(rows), context(), ("clinic",))
    for policy in (INTERNAL, PUBLIC):
        block = Block(protect(result, policy))
        forms = block._repr_mimebundle_()
        assert set(forms) == {"text/plain", "text/html", "image/png", BLOCK_TYPE}
        assert b64decode(forms["image/png"]).startswith(b"\x89PNG")
        light = Block(block.released, has_picture=False)._repr_mimebundle_()
        assert light == {name: form for name, form in forms.items() if name != "image/png"}
        data = json.loads(json.dumps(forms[BLOCK_TYPE], allow_nan=False))
        assert data["audience"] == policy.audience
        assert data["svg"] in str(forms["text/html"]).replace(
            f' role="img" aria-label="{data["alt"]}"', ""
        )
        assert "<b>" not in str(forms["text/html"])
        hidden = pd.DataFrame(data["hidden"])
        values = pd.DataFrame(data["frame"])
        assert values.where(hidden.astype(bool)).isna().to_numpy().all()
    assert hidden["numerator"].any()
    assert data["context"]["cut_off"] == "2025-03"


def test_a_hostile_name_in_a_sentence_is_text_on_the_page() -> None:
    lines = [("<b>\u202ex</b>.csv", "rows_kept", 50, 40, "lost", 10)]
    frame = pd.DataFrame(lines, columns=["file", *FLOW.columns])
    released = protect(Result(FLOW, frame, context("rows", unit="row"), ("file",)), INTERNAL)
    assert "<b>x</b>.csv" in tell(released, "en")[0]
    html = Block(released).to_html()
    assert "&lt;b&gt;x&lt;/b&gt;.csv" in html
    assert "<b>" not in html


def test_alternative_text_names_kind_title_and_finding() -> None:
    result = by_quarter({"2023Q1": (0.7, 0.6, 0.8), "2024Q4": (0.85, 0.75, 0.95)})
    text = alt(protect(result, INTERNAL), "en")
    for part in ("along time", "Quality indicators", "no change", "table below"):
        assert part in text


def test_notes_say_what_the_policy_did() -> None:
    rows = [(float(t), t % 3 == 0) for t in range(10, 800, 4)]
    said = "\n".join(notes(protect(curve_result({"": rows}), PUBLIC), "en"))
    assert "fewer than 10 children" in said
    assert "so wide that none holds a small count" in said


@pytest.mark.parametrize(
    ("p", "written"),
    [(0.0123, {"en": "p 0.012", "fr": "p 0,012"}), (0.4567, {"en": "p 0.46", "es": "p 0,46"}),
     (1e-9, {"en": "p < 0.001", "pt": "p < 0,001"})],
)  # fmt: skip
def test_a_p_value_in_a_note_is_written_as_its_language_writes_numbers(
    p: float, written: dict[str, str]
) -> None:
    phrase = Phrase("note.straight", {"p": PValue(p)})
    for language, words in written.items():
        assert words in say(phrase, language)


def test_a_share_in_a_note_is_written_as_a_percentage_and_never_rounded_to_nothing() -> None:
    values = {"score": 3, "last": 9, "share": Share(0.0512)}
    assert "5,1\N{NO-BREAK SPACE}%" in say(Phrase("note.beyond_last_cast", values), "es")
    told = say(Phrase("note.beyond_last_cast", values | {"share": Share(0.0001)}), "en")
    assert "<0.1%" in told


def test_a_number_in_a_note_has_about_three_figures() -> None:
    for times, written in ((12.52, " 12.5 "), (1.234, " 1.23 "), (0.0234, " 0.023 ")):
        assert written in say(Phrase("note.laney", {"times": times}), "en")
