"""Every cell that a page shows has its words in every language, of the English as it is now."""

from pathlib import Path

import nbformat
import pytest

from analytics.definitions.labels import languages
from analytics.definitions.notebook_words import WRITTEN_IN, mark, translations
from analytics.reports.chapters import NOTEBOOK_TAG

FOLDER = Path(__file__).resolve().parents[2] / "notebooks"
NOTEBOOKS = sorted(FOLDER.glob("*.ipynb"))
OTHERS = [language for language in languages() if language != WRITTEN_IN]


def shown_cells(path):
    cells = nbformat.read(path, as_version=4).cells
    shown = [cell for cell in cells if cell.cell_type == "markdown"]
    return [cell for cell in shown if NOTEBOOK_TAG not in cell.metadata.get("tags", [])]


def headings(text):
    return [len(line) - len(line.lstrip("#")) for line in text.splitlines() if line[:1] == "#"]


@pytest.mark.parametrize("language", OTHERS)
@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_every_shown_cell_is_translated_from_its_present_english(path, language):
    known = translations(language, path.stem)
    wanted = [
        f"[{cell.id}]\nof = \"{mark(cell.source)}\"\nwords = '''\n{cell.source}\n'''"
        for cell in shown_cells(path)
        if cell.id not in known or known[cell.id].of != mark(cell.source)
    ]
    assert not wanted, f"labels/{language}/notebooks/{path.stem}.toml\n" + "\n".join(wanted)


@pytest.mark.parametrize("language", OTHERS)
@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_translations_keep_the_headings_and_no_cell_that_is_gone(path, language):
    english = {cell.id: cell.source for cell in shown_cells(path)}
    known = translations(language, path.stem)
    assert set(known) <= set(english)
    wanted = {cell: headings(english[cell]) for cell in known}
    assert {cell: headings(known[cell].words) for cell in known} == wanted
