"""Nothing that a reader sees of a page or a table was written outside the labels.

The labels of French, and the words of the notebooks, are put in disguise; what is still in plain
letters is data, the source of a method, or a word that no translator can reach.
"""

from __future__ import annotations

import ast
import io
from dataclasses import fields
from pathlib import Path

import nbformat
import pytest
from disguise import disguise, hide, plain_words, seen_texts
from matplotlib.text import Text
from python_calamine import CalamineWorkbook
from small_programme import write_programme

from analytics.definitions import labels as label_module
from analytics.definitions.burden import Burden
from analytics.display import block as block_module
from analytics.reports import chapters as chapter_module
from analytics.reports.chapters import all_blocks, read_chapter
from analytics.reports.page import build_page
from analytics.reports.provenance import NUMBER_MAKERS, PROGRAM, build_provenance
from analytics.reports.report import Report
from analytics.reports.tables import build_tables

NOTEBOOKS = sorted((Path(__file__).resolve().parents[2] / "notebooks").glob("*.ipynb"))

#: Notebooks for one person at a desk, with parameters of their own.
ELSEWHERE = ("10_", "11_")

SPENDING = '\n[[spending]]\nperiod = "2023"\ncurrency = "USD"\namount = 50000\n'

#: What a programme writes itself (files, clinics, currencies), packages, who published a number.
DATA = {"<script>alert(1)</script>", "Second & last", "Small programme", "visits.csv", "map.toml",
        "K1", "K2", "XV", "USD", "small", PROGRAM, "python", *NUMBER_MAKERS}  # fmt: skip
DATA |= {getattr(Burden(), field.name).source for field in fields(Burden)}


@pytest.fixture(scope="module")
def shown(tmp_path_factory):
    """Every notebook on a small programme with labels in disguise: chapters, report, pictures."""
    pictures: list[str] = []

    def to_texts(figure) -> str:
        pictures.extend(text.get_text() for text in figure.findobj(Text))
        return "<svg ></svg>"

    settings = write_programme(tmp_path_factory.mktemp("programme"), n_children=36)
    text = settings.read_text(encoding="utf-8").replace('"en"', '"fr"')
    settings.write_text(text + SPENDING, encoding="utf-8")
    with pytest.MonkeyPatch.context() as patch:
        disguise(patch)
        patch.setattr(block_module, "to_svg", to_texts)
        patch.setattr(block_module, "to_png", lambda figure: b"")
        patch.setattr(chapter_module, "in_language", lambda source, **_: hide(source))
        report = Report.open(settings)
        patch.setattr(Report, "open", lambda *_, **__: report)
        wanted = [path for path in NOTEBOOKS if not path.name.startswith(ELSEWHERE)]
        chapters = [_chapter(path, report) for path in wanted]
        yield chapters, report, pictures
    label_module.labels.cache_clear()


def _chapter(path, report):
    notebook, names = nbformat.read(path, as_version=4), {}
    for cell in notebook.cells:
        if cell.cell_type != "code":
            continue
        cell.outputs = [
            nbformat.v4.new_output("display_data", data=value._repr_mimebundle_())
            for value in _run(cell.source, names)
            if hasattr(value, "_repr_mimebundle_")
        ]
        if "clinic" in names:
            names["clinic"] = "K1"
    options = {"audience": report.policy.audience, "language": "fr", "is_first": False}
    return read_chapter(notebook, name=path.stem, **options)


def _run(source, names):
    *body, last = ast.parse(source).body
    if not isinstance(last, ast.Expr):
        exec(source, names)
        return []
    exec(compile(ast.Module(body, []), "cell", "exec"), names)
    return [eval(compile(ast.Expression(last.value), "cell", "eval"), names)]


def results(chapters):
    """Blocks of results; a listing of one clinic is text alone, read with the page."""
    return [block for block in all_blocks(chapters) if "context" in block]


def sources(chapters):
    return {block["context"]["reference"] for block in results(chapters)} - {""}


def leaks(texts, data):
    found = ((plain_words(text, data), text) for text in texts)
    return sorted({f"{', '.join(sorted(words))} in: {text}" for words, text in found if words})


def test_pages_hold_no_word_outside_labels(shown):
    chapters, report, _ = shown
    provenance = build_provenance(report.settings, report.policy, report.cohort.totals, [7])
    page = build_page(chapters, provenance)
    hashes = {line[key][:16] for line in provenance["inputs"] for key in ("sha256", "map_sha256")}
    data = DATA | sources(chapters) | hashes | {provenance["fingerprint"]}
    assert len(chapters) >= 8
    assert leaks(seen_texts(page), data) == []


def test_pictures_hold_no_word_outside_labels(shown):
    _, _, pictures = shown
    assert len(pictures) > 500
    assert leaks(pictures, DATA) == []


def test_alternative_texts_and_notes_hold_no_word_outside_labels(shown):
    chapters, _, _ = shown
    texts = [t for block in results(chapters) for t in (block["alt"], *block["notes"])]
    assert leaks(texts, DATA | sources(chapters)) == []


def test_the_workbook_of_tables_holds_no_word_outside_labels(shown):
    chapters, report, _ = shown
    made = build_tables(results(chapters), report.settings)
    book = CalamineWorkbook.from_filelike(io.BytesIO(made))
    rows = [row for name in book.sheet_names for row in book.get_sheet_by_name(name).to_python()]
    texts = [cell for row in rows for cell in row if isinstance(cell, str)]
    names = {block["name"] for block in results(chapters)} | set(book.sheet_names)
    assert leaks(texts, DATA | sources(chapters) | names) == []


def test_a_word_outside_labels_would_be_found():
    assert plain_words(f"{hide('Pieds')} K1 feet", {"K1"}) == {"feet"}
