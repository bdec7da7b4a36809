"""The funder's summary of the demo: two sheets, plain words, a denominator for every claim."""

import re
from html import unescape

import pypdfium2
import pytest
from funder_page import funder_chapter, funder_page, funder_report

from analytics.definitions.labels import labels, languages
from analytics.reports.pdf_file import build_pdf

#: Years of school after which a text can be read, by age: twelve-year-olds are in the seventh.
TWELVE_YEARS = 7.0


def text_of(html):
    return unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html))).strip()


def sentences_for_people(html):
    """Headings, paragraphs and claims of the notebook's part of the page, figures left out."""
    body = html[html.index("<h1") : html.index('<section class="cautions"')]
    body = re.sub(r"<figure.*?</figure>", "", body, flags=re.DOTALL)
    blocks = re.findall(r"<(h\d|p|li)\b[^>]*>(.*?)</\1>", body, re.DOTALL)
    whole = " ".join(text_of(words).rstrip(":") + ("" if words[-1] in ".?" else ".")
                     for _, words in blocks)  # fmt: skip
    return [s for s in re.split(r"(?<=[.?!])\s+", whole) if re.search(r"[a-zA-Z]", s)]


def n_syllables(word):
    """Groups of vowels, of which some are two; an e at the end that is silent is none."""
    word = word.lower()
    word = re.sub(r"(?<=[^aeiouytdl])ed$|(?<=[^aeiouyl])es?$", "", word)
    two = len(re.findall(r"(?<![ts])i[ao]", word))
    return max(len(re.findall(r"[aeiouy]+", word)) + two, 1)


def school_grade(n_sentences, words):
    """Kincaid, Fishburne, Rogers & Chissom 1975, Research Branch Report 8-75: grade level."""
    n_words = len(words)
    per_word = sum(map(n_syllables, words)) / n_words
    return 0.39 * n_words / n_sentences + 11.8 * per_word - 15.59


def words_of(sentences):
    # Numbers are read as figures, a word of one syllable each.
    return re.findall(r"[A-Za-z']+|\d[\d,.]*", " ".join(sentences))


def test_the_formula_gives_its_published_example():
    # Example of the package flesch-kincaid 2.0.1: one sentence, 13 words, 26 syllables, 13.08.
    sentence = "The Australian platypus is seemingly a hybrid of a mammal and reptilian creature."
    words = words_of([sentence])
    assert len(words) == 13
    assert sum(map(n_syllables, words)) == 26
    assert school_grade(1, words) == pytest.approx(13.08)


def test_a_child_of_twelve_can_read_the_english_page():
    sentences = sentences_for_people(funder_page("en"))
    assert len(sentences) > 30
    assert school_grade(len(sentences), words_of(sentences)) <= TWELVE_YEARS
    assert max(len(words_of([s])) for s in sentences) <= 25


@pytest.mark.parametrize("language", languages())
def test_it_is_two_sheets_of_a4(language):
    document = pypdfium2.PdfDocument(build_pdf(funder_page(language)))
    assert len(document) == 2
    assert {tuple(round(side) for side in page.get_size()) for page in document} == {(595, 842)}


@pytest.mark.parametrize("language", languages())
def test_every_claim_says_of_how_many(language):
    claims = re.findall(r'<span class="sure">(.*?)</span>', funder_page(language))
    assert len(claims) == 10
    for claim in claims:
        assert re.search(r"\d", claim)
    counted = labels(language)["plain.counted"].split("{")[0]
    assert sum(unescape(claim).count(counted) for claim in claims) == 7


def test_figures_on_the_page_are_those_of_the_released_frame():
    page = text_of(funder_page("en"))
    frames = {b["name"]: b["frame"] for b in funder_chapter("en").blocks}
    rows = [row for name in ("reached", "achieved", "lasting", "lost") for row in frames[name]]
    assert len(rows) == 7
    for row in rows:
        assert f"{round(100 * row['estimate'])} of every 100" in page
        assert f"This is known for about {row['denominator']:,} of {row['n']:,}" in page
    for row in frames["last_spending_by_currency"]:
        assert f"{row['denominator']}" in page


@pytest.mark.parametrize("language", languages())
def test_no_clinic_and_no_small_count_is_told(language):
    page, report = text_of(funder_page(language)), funder_report(language)
    for clinic in report.cohort.feet["clinic"].unique():
        assert not re.search(rf"\b{re.escape(clinic)}\b", page)
    for block in funder_chapter(language).blocks:
        assert block["policy"]["smallest_count"] == 5
        assert "clinic" not in block["groups"]


def test_without_spending_the_page_says_so(monkeypatch):
    from analytics.analyses.value import last_spending

    report = funder_report("en")
    block = report.show(last_spending(report.cohort, ()), "plain")
    assert "has not said what it spent" in block.to_html()
