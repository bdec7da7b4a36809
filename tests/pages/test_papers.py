"""PDF and DOCX say what the page says, whole and in order; the same page gives the same bytes."""

import io
import os
import re
import subprocess
import sys
import zipfile
from base64 import b64encode
from datetime import date
from pathlib import Path

import pypdfium2
import pytest
from docx import Document
from docx.oxml.ns import qn
from lxml import html as reader
from matplotlib.figure import Figure
from matplotlib.font_manager import findSystemFonts
from PIL import ImageFont

from analytics.display.figures import to_png, to_svg
from analytics.reports import pdf_file
from analytics.reports.docx_file import About, build_docx
from analytics.reports.pdf_file import LIBRARIES, build_pdf

W_T = qn("w:t")
README = Path(__file__).parents[2] / "README.md"
ABOUT = About("The quarter", "Network", date(2025, 12, 1), "fr", "Page")


def figure():
    drawn = Figure(figsize=(7.2, 2))
    drawn.text(0.1, 0.5, "A label & <more>")
    return drawn


def page(more=""):
    svg = to_svg(figure()).replace("<svg ", '<svg role="img" aria-label="What it shows" ', 1)
    rows = "".join(f'<tr><th scope="row">row {n}</th><td class="number">{n}</td></tr>'
                   for n in range(120))  # fmt: skip
    return (
        '<!doctype html><html lang="fr"><head><meta charset="utf-8"><title>T</title><style>\n'
        "@page { size: A4; margin: 20mm } thead { display: table-header-group }"
        "</style></head><body>"
        '<nav class="contents"><h2>Contents</h2><ol><li><a href="#one">One</a></li></ol></nav>'
        f'<main><section class="chapter"><h1 id="one">One</h1><p>Words <em>and</em> more.</p>'
        f"<figure>{svg}<figcaption>Below</figcaption></figure>"
        "<table><caption>Numbers</caption><thead><tr>"
        '<th scope="col">What</th><th scope="col">How many</th></tr></thead>'
        f"<tbody>{rows}</tbody></table>{more}</section></main></body></html>"
    )


def docx(text, pictures=None):
    png = b64encode(to_png(figure())).decode()
    return build_docx(text, [png] if pictures is None else pictures, ABOUT)


def words_of(pdf):
    pages = pypdfium2.PdfDocument(pdf)
    return [sheet.get_textpage().get_text_bounded() for sheet in pages]


def test_the_same_page_gives_the_same_bytes():
    assert build_pdf(page()) == build_pdf(page())
    assert docx(page()) == docx(page())


def test_a_pdf_has_figures_as_text_and_vectors_and_heads_on_every_sheet():
    pdf = build_pdf(page())
    sheets = words_of(pdf)
    assert len(sheets) > 2
    assert "A label & <more>" in sheets[0]
    assert all("How many" in sheet for sheet in sheets)
    kinds = {part.type for sheet in pypdfium2.PdfDocument(pdf) for part in sheet.get_objects()}
    assert pypdfium2.raw.FPDF_PAGEOBJ_IMAGE not in kinds


@pytest.mark.parametrize("outside", ['<img src="https://example.org/x.png">',
                                     '<img src="file:///etc/hostname">'])  # fmt: skip
def test_a_pdf_asks_nothing_of_the_outside(outside, monkeypatch):
    asked = []
    give = pdf_file._give_only

    def watched(own):
        giver = give(own)
        fetch = giver.fetch

        def ask(url, headers=None):
            asked.append(url in own)
            return fetch(url, headers)

        giver.fetch = ask
        return giver

    monkeypatch.setattr(pdf_file, "_give_only", watched)
    pdf = build_pdf(page(outside))
    assert False in asked
    kinds = [part.type for sheet in pypdfium2.PdfDocument(pdf) for part in sheet.get_objects()]
    assert pypdfium2.raw.FPDF_PAGEOBJ_IMAGE not in kinds


def test_a_docx_has_headings_captions_alternatives_and_heads_that_repeat():
    document = Document(io.BytesIO(docx(page())))
    by_style = {}
    for line in document.paragraphs:
        by_style.setdefault(line.style.name, []).append(line.text)
    assert by_style["Heading 1"] == ["One"]
    assert by_style["Caption"] == ["Numbers"]
    assert by_style["Figure Caption"] == ["Below"]
    assert "Words and more." in by_style["Normal"]
    (table,) = document.tables
    marks = [row._tr.trPr.find(qn("w:tblHeader")) is not None for row in table.rows]
    assert marks == [True, *[False] * 120]
    # The head is not left behind at the foot of a page.
    assert all(document.styles[name].paragraph_format.keep_with_next
               for name in ("Cell Head", "Cell Head 7.5", "Caption"))  # fmt: skip
    assert [cell.text for cell in table.rows[7].cells] == ["row 6", "6"]
    described = [part.get("descr") for part in document.element.iter(qn("wp:docPr"))]
    assert described == ["What it shows"]


def test_a_docx_states_its_language_title_and_no_clock():
    document = Document(io.BytesIO(docx(page())))
    known = document.core_properties
    assert (known.title, known.author, known.language) == ("The quarter", "Network", "fr")
    assert known.created.date() == known.modified.date() == ABOUT.cut_off
    styles = document.styles.element.xml
    assert 'w:val="fr"' in styles
    assert "en-US" not in styles
    with zipfile.ZipFile(io.BytesIO(docx(page()))) as parts:
        assert {entry.date_time[0] for entry in parts.infolist()} == {1980}


def test_the_contents_of_a_docx_lead_to_its_headings():
    xml = Document(io.BytesIO(docx(page()))).element.xml
    (anchor,) = re.findall(r'w:hyperlink[^>]* w:anchor="(\w+)"', xml)
    assert re.findall(r'w:bookmarkStart [^>]*w:name="(\w+)"', xml) == [anchor]


def test_without_the_library_one_message_says_what_to_install(tmp_path, monkeypatch):
    # A package of that name which fails as the real one does where its library is missing.
    broken = tmp_path / "weasyprint"
    broken.mkdir()
    (broken / "__init__.py").write_text("raise OSError('cannot load library libpango-1.0-0')")
    code = (
        "from pathlib import Path\n"
        "from analytics.reports.papers import Sheet, write_papers\n"
        "from analytics.reports.settings import read_settings\n"
        "if __name__ == '__main__':\n"
        "    sheets = [Sheet(Path(n), 'T', ()) for n in ('one.html', 'two.html')]\n"
        "    settings = read_settings(Path('programme.toml'))\n"
        "    made = write_papers(sheets, settings, ['pdf', 'docx'])\n"
        "    print(len(made.missing), len(made.failed)); print(made.missing[0])\n"
    )
    from small_programme import write_programme

    write_programme(tmp_path, n_children=1)
    for name in ("one.html", "two.html"):
        (tmp_path / name).write_text(page())
    (tmp_path / "make.py").write_text(code)
    paths = os.pathsep.join([str(tmp_path), str(README.parent)])
    run = subprocess.run([sys.executable, "make.py"], cwd=tmp_path, capture_output=True, text=True,
                         env={**os.environ, "PYTHONPATH": paths})  # fmt: skip
    assert run.stdout.startswith("1 0\n"), run.stderr
    assert f"apt-get install {LIBRARIES}" in run.stdout
    assert not list(tmp_path.glob("*.pdf"))
    assert len(list(tmp_path.glob("*.docx"))) == 2


def test_the_readme_names_the_same_libraries():
    assert f"`apt-get install {LIBRARIES}`" in README.read_text(encoding="utf-8")


@pytest.mark.parametrize("name", ["network", "funder"])
def test_every_heading_and_caption_of_the_page_is_in_both_files(whole, name):
    tree = reader.document_fromstring((whole / f"{name}.html").read_text(encoding="utf-8"))
    main = tree.get_element_by_id("content")
    wanted = [" ".join(e.text_content().split()) for e in main.iter("h1", "h2", "h3", "caption")]
    assert len(wanted) > 5
    document = Document(whole / f"{name}.docx")
    lines = {" ".join(line.text.split()) for line in document.paragraphs}
    assert [text for text in wanted if text not in lines] == []
    assert len(document.inline_shapes) == len(main.findall(".//figure//svg"))
    printed = "".join("".join(words_of(whole / f"{name}.pdf")).split())
    assert [text for text in wanted if "".join(text.split()) not in printed] == []


@pytest.mark.parametrize("name", ["network", "funder"])
def test_each_picture_of_a_docx_is_the_figure_at_its_place(whole, name):
    tree = reader.document_fromstring((whole / f"{name}.html").read_text(encoding="utf-8"))
    sizes = [svg.get("viewbox") or svg.get("viewBox") for svg in tree.findall(".//figure//svg")]
    drawn = [float(size.split()[3]) / float(size.split()[2]) for size in sizes]
    shapes = Document(whole / f"{name}.docx").inline_shapes
    assert [shape.height / shape.width for shape in shapes] == pytest.approx(drawn, rel=0.01)
    named = [svg.get("aria-label") for svg in tree.findall(".//figure//svg")]
    assert [shape._inline.docPr.get("descr") for shape in shapes] == named


def test_pictures_that_are_not_those_of_the_page_are_refused():
    with pytest.raises(ValueError, match="2 pictures for the 1 figures"):
        docx(page(), pictures=["", ""])


@pytest.mark.parametrize("name", ["network", "funder"])
def test_no_word_and_no_number_of_a_table_in_a_docx_is_cut(whole, name):
    # Widths of words from the font files themselves.
    serif, sans = (font_file(n) for n in ("LiberationSerif-Regular", "LiberationSans-Bold"))
    cut = []
    for table in Document(whole / f"{name}.docx").tables:
        widths = [int(c.get(qn("w:w"))) / 20 for c in table._tbl.tblGrid]
        for row in table._tbl.tr_lst:
            for cell, width in zip(row.tc_lst, widths, strict=True):
                style, words = cell.p_lst[0].style, "".join(t.text or "" for t in cell.iter(W_T))
                size = float(style.removeprefix("CellHead").removeprefix("Cell") or 8.5)
                font = ImageFont.truetype(sans if style.startswith("CellHead") else serif, 100)
                is_number = cell.p_lst[0].pPr.jc is not None and not style.startswith("CellHead")
                for part in [words] if is_number else words.split():
                    # 6 points of the cell are its margins.
                    if font.getlength(part) * size / 100 > width - 6:
                        cut.append((part, style))
    assert cut == []


def font_file(name):
    found = [path for path in findSystemFonts() if Path(path).stem == name]
    if not found:
        pytest.skip(f"the font {name} is not on this machine")
    return found[0]


def test_chapters_of_the_pdf_begin_on_a_new_sheet_and_nothing_is_cut(whole):
    tree = reader.document_fromstring((whole / "network.html").read_text(encoding="utf-8"))
    titles = [c.findtext("h2") for c in tree.find_class("chapter")][1:]
    assert len(titles) > 4
    document = pypdfium2.PdfDocument(whole / "network.pdf")
    tops = []
    for sheet in document:
        words = sheet.get_textpage()
        # Below the running title: the text between 20 and 40 mm from the top.
        tops.append(words.get_text_bounded(left=0, right=595, bottom=842 - 115, top=842 - 55))
        # 8 of 16 millimetres of margin stay white on both sides.
        picture = sheet.render(scale=0.5, grayscale=True).to_numpy()
        assert picture[:, :11].min() == picture[:, -11:].min() == 255
    assert [t for t in titles if not any(top.strip().startswith(t) for top in tops)] == []
