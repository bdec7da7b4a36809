"""Text from exports and settings that would run, hide or burst: it reaches no file alive."""

import io
import json
import re
import zipfile
from html.parser import HTMLParser

import pypdfium2
import pytest
from lxml import etree
from quick_report import use_notebooks
from small_programme import CLINICS, write_programme

from analytics.cli import main

MARKUP = "</title></style><script>alert(1)</script><img src=x onerror=alert(2)>"
FORMULA = '=HYPERLINK("http://example.org/?x","click")'
TURNED = "\u202ebacon\u2066 \u200fend\u202c"
LONG = "unbroken" * 40
TEMPLATE = "{{ 7 * 7 }} {0} %s $x^2$ &amp; ]]> <!-- "

#: Marks that turn the direction of text, and other signs that nobody sees.
UNSEEN = re.compile("[\u200b-\u200f\u202a-\u202e\u2060-\u2069\ufeff]")

#: Clinic codes and their names; a code also names files.
NAMES = {
    "../K<b>1": MARKUP,
    "=1+1": FORMULA,
    "K\u202e3": TURNED,
    "K4": LONG,
    "K5": TEMPLATE,
}
BY_CLINIC = (
    "from analytics.analyses import indicators\n"
    "from analytics.definitions.indicators import HEADLINE\n\n"
    "report.show(indicators.estimates(report.cohort, HEADLINE[:2], by=['clinic'], question='x'))"
).replace("question='x'", "question='clinics_care'")


def quoted(text):
    return '"' + text.replace('"', '""') + '"'


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A report of a programme whose every name is hostile, in every format."""
    folder = tmp_path_factory.mktemp("hostile")
    settings = write_programme(folder, n_children=40, formats=["pdf", "docx"])
    title = json.dumps(f"{MARKUP} {FORMULA} {TURNED}", ensure_ascii=False)
    text = settings.read_text(encoding="utf-8").replace('"Small programme"', title)
    text = text.replace("clinic_formats = []", "")
    settings.write_text(text + 'clinic_formats = ["pdf", "docx"]\n', encoding="utf-8")
    header = CLINICS.splitlines()[0]
    lines = [f"{quoted(code)},{quoted(name)},XV,2021-01-01,1000" for code, name in NAMES.items()]
    (folder / "clinics.csv").write_text("\n".join([header, *lines]), encoding="utf-8")
    visits = (folder / "visits.csv").read_text(encoding="utf-8").splitlines()
    codes = [quoted(code) for code in NAMES]
    spread = [
        line.replace(f",K{1 + int(line[1:4]) % 2},", f",{codes[int(line[1:4]) % len(codes)]},")
        for line in visits[1:]
    ]
    (folder / "visits.csv").write_text("\n".join([visits[0], *spread]) + "\n", encoding="utf-8")
    with pytest.MonkeyPatch.context() as patch:
        use_notebooks(patch, folder / "notebooks", [BY_CLINIC])
        patch.setattr(
            "sys.argv", ["talipes", "report", str(settings), "--out", str(folder / "out")]
        )
        with pytest.raises(SystemExit) as ended:
            main()
    assert not ended.value.code
    return folder / "out"


def files(made, ending):
    found = sorted(made.rglob(f"*.{ending}"))
    assert found
    return found


class Tags(HTMLParser):
    def __init__(self):
        super().__init__(convert_charrefs=True)
        self.tags, self.attributes, self.text = set(), set(), []

    def handle_starttag(self, tag, attrs):
        self.tags.add(tag)
        self.attributes |= {name for name, _ in attrs}

    def handle_data(self, data):
        self.text.append(data)


def test_every_file_stays_in_the_folder_under_a_plain_name(made):
    names = [path.relative_to(made).as_posix() for path in made.rglob("*") if path.is_file()]
    assert len(names) > 20
    assert [name for name in names if not re.fullmatch(r"[A-Za-z0-9_./-]+", name)] == []
    assert [name for name in names if ".." in name] == []
    assert {path.name for path in made.parent.iterdir() if path.suffix == ".html"} == set()


def test_pages_show_it_as_text(made):
    for path in files(made, "html"):
        page = path.read_text(encoding="utf-8")
        seen = Tags()
        seen.feed(page)
        assert not seen.tags & {"script", "img", "b", "iframe", "object", "form", "link"}
        assert [name for name in seen.attributes if name.startswith("on")] == []
        assert not UNSEEN.search(page)
        assert page.count("</title>") == 1
        assert page.count("</style>") == page.count("<style")
    network = (made / "network.html").read_text(encoding="utf-8")
    assert "&lt;script&gt;alert(1)" in network
    assert "{{ 7 * 7 }}" in "".join(p.read_text() for p in files(made, "html"))


def test_workbooks_hold_no_formula_and_no_link(made):
    for path in files(made, "xlsx"):
        with zipfile.ZipFile(path) as parts:
            for name in parts.namelist():
                text = parts.read(name).decode("utf-8")
                etree.fromstring(text.encode("utf-8"))
                assert not re.search(r"<f[ >]|<hyperlink", text), name
                assert "example.org" not in text or name.endswith("sharedStrings.xml")
                assert not UNSEEN.search(text), name


def test_documents_hold_no_field_link_or_mark_of_it(made):
    for path in files(made, "docx"):
        with zipfile.ZipFile(path) as parts:
            assert not [n for n in parts.namelist() if "vba" in n.lower() or "embed" in n.lower()]
            for name in parts.namelist():
                if not name.endswith((".xml", ".rels")):
                    continue
                text = parts.read(name).decode("utf-8")
                etree.fromstring(text.encode("utf-8"))
                assert 'TargetMode="External"' not in text, name
                assert not UNSEEN.search(text), name
                for code in re.findall(r"<w:instrText[^>]*>([^<]*)", text):
                    assert code.strip().startswith("TOC ")


def test_pdf_files_hold_no_action_and_stay_within_their_margins(made):
    for path in files(made, "pdf"):
        body = path.read_bytes()
        assert not re.search(rb"/JavaScript|/JS\b|/Launch|/URI|/EmbeddedFile", body)
        for sheet in pypdfium2.PdfDocument(io.BytesIO(body)):
            assert not UNSEEN.search(sheet.get_textpage().get_text_bounded())
            picture = sheet.render(scale=0.5, grayscale=True).to_numpy()
            assert picture[:, :11].min() == picture[:, -11:].min() == 255


def test_the_results_are_data_without_unseen_marks(made):
    for path in files(made, "json"):
        text = path.read_text(encoding="utf-8")
        json.loads(text)
        assert not UNSEEN.search(text), path.name
