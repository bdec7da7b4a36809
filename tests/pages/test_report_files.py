"""The whole way: a programme's exports in, the files of a report out, by the command line."""

import io
import json
import re
import zipfile
from html.parser import HTMLParser
from pathlib import Path

import nbformat
import pytest
from quick_report import SHOW, contents, use_notebooks
from small_programme import write_programme

from analytics.cli import main

V4 = nbformat.v4
FILES = {
    "network.html",
    "network.pdf",
    "network.docx",
    "funder.html",
    "funder.pdf",
    "funder.docx",
    "tables.xlsx",
    "records_to_fix/clinic-K1.xlsx",
    "records_to_fix/clinic-K2.xlsx",
    "results.json",
    "provenance.json",
    "state.json",
}
CLINICS = {"clinics/clinic-K1.html", "clinics/clinic-K2.html"}


class Outline(HTMLParser):
    """Collects the identifiers, links, levels of headings and tags of a page."""

    def __init__(self):
        super().__init__()
        self.ids, self.links, self.levels, self.fetched, self.tags = [], [], [], [], set()

    def handle_starttag(self, tag, attrs):
        values = dict(attrs)
        self.tags.add(tag)
        self.ids += [values["id"]] if "id" in values else []
        self.links += [values["href"]] if tag == "a" else []
        self.levels += [int(tag[1])] if re.fullmatch(r"h\d", tag) else []
        outside = [v for k, v in attrs if k in ("src", "srcset", "data", "action")]
        self.fetched += outside + ([values["href"]] if tag == "link" else [])


def outline(path):
    parser = Outline()
    parser.feed(path.read_text(encoding="utf-8"))
    return parser


def test_every_file_is_there_and_its_hash_is_in_the_provenance(whole):
    from analytics.reports.folder import hash_file

    assert set(contents(whole)) == FILES | CLINICS
    written = json.loads((whole / "provenance.json").read_text())["files"]
    assert written == {n: hash_file(whole / n) for n in (FILES | CLINICS) - {"provenance.json"}}


@pytest.mark.parametrize("name", ["network.html", "funder.html", *sorted(CLINICS)])
def test_a_page_is_whole_by_itself(whole, name):
    page = outline(whole / name)
    assert not page.tags & {"script", "link", "iframe", "object", "embed", "form"}
    assert [at for at in page.fetched if not at.startswith("data:")] == []
    text = (whole / name).read_text()
    assert not re.search(r"@import|url\((?!['\"]?#)", text)
    assert len(page.ids) == len(set(page.ids))
    assert [link for link in page.links if link.startswith("#") and link[1:] not in page.ids] == []
    assert page.levels.count(1) == 1
    body = page.levels[page.levels.index(1) :]
    assert [(a, b) for a, b in zip(body, body[1:], strict=False) if b > a + 1] == []
    assert "could not be answered" not in text
    assert "disclosure policy.</p>" not in text


def test_clinics_and_the_network_lead_to_each_other(whole):
    network = outline(whole / "network.html")
    assert set(network.links) >= CLINICS
    assert not CLINICS & set(outline(whole / "funder.html").links)
    for name in CLINICS:
        beside = [link for link in outline(whole / name).links if not link.startswith("#")]
        assert beside == ["../network.html", f"../records_to_fix/{Path(name).stem}.xlsx"]
        assert all((whole / name).parent.joinpath(link).is_file() for link in beside)


def test_the_page_of_a_clinic_names_it_and_answers_everything(whole):
    first, second = ((whole / name).read_text() for name in sorted(CLINICS))
    assert "<h1 id=" in second
    assert ">Clinic: Second &amp; last (K2)</h1>" in second
    assert ">Clinic: &lt;script&gt;alert(1)&lt;/script&gt; (K1)</h1>" in first
    for text in (first, second):
        assert text.count('<section class="block"') == 7
        assert "feet of 24 children" in text
        # Of two clinics nobody can tell how far one may lie from the other.
        assert "too few to say" in text


@pytest.mark.parametrize("name", ["network.html", "funder.html", *sorted(CLINICS)])
def test_nothing_from_the_exports_runs_or_names_a_child(whole, name):
    text = (whole / name).read_text()
    assert "<script>" not in text
    assert "Invented Person" not in text
    assert "C000" not in text


def unfolded(name, content):
    """The texts of a file; a PDF is made of the page beside it."""
    if not name.endswith((".xlsx", ".docx")):
        return [content]
    with zipfile.ZipFile(io.BytesIO(content)) as parts:
        return [parts.read(part) for part in parts.namelist() if not part.endswith(".png")]


def test_no_file_names_a_child_or_holds_the_key(whole):
    told = {n: unfolded(n, c) for n, c in contents(whole).items() if not n.endswith(".pdf")}
    assert sum(map(len, told.values())) > 60
    for name, texts in told.items():
        for text in texts:
            assert b"Invented Person" not in text, name
            assert b"a key for the test" not in text, name
            assert not re.search(rb"\bC0\d\d\b", text), name


def test_the_funder_s_page_is_public_whatever_the_rest(whole):
    text = (whole / "funder.html").read_text()
    assert "For the public" in text
    assert "visits.csv" not in text
    assert "For internal review" in (whole / "network.html").read_text()


def test_every_result_that_a_page_shows_is_in_the_results_with_shape_frame_and_context(whole):
    results = json.loads((whole / "results.json").read_text())
    shown = sum(
        (whole / name).read_text().count('<section class="block')
        for name in ("network.html", "funder.html")
    )
    assert len(results) == shown > 10
    for result in results:
        assert {"name", "shape", "audience", "frame", "hidden", "context"} <= set(result)
        assert result["context"]["cut_off"].startswith("2025-12")
        assert result["context"]["fingerprint"]
    assert {r["audience"] for r in results if r["page"].startswith("09")} == {"public"}


# What follows runs two small notebooks of its own, to be quick.


@pytest.fixture
def short(tmp_path, monkeypatch):
    def set_cells(*sources, formats=()):
        use_notebooks(monkeypatch, tmp_path / "notebooks", sources)
        return write_programme(tmp_path, n_children=20, formats=formats)

    return set_cells


@pytest.fixture
def talipes(monkeypatch, capsys):
    def run(*words):
        monkeypatch.setattr("sys.argv", ["talipes", *map(str, words)])
        with pytest.raises(SystemExit) as ended:
            main()
        return ended.value.code or 0, capsys.readouterr().err

    return run


def test_the_same_inputs_give_the_same_bytes_but_the_day_of_making(short, talipes, tmp_path):
    settings = short(SHOW, formats=["pdf", "docx"])
    for out in ("one", "two"):
        assert talipes("report", settings, "--out", tmp_path / out)[0] == 0
    one, two = contents(tmp_path / "one"), contents(tmp_path / "two")
    assert {"network.pdf", "funder.pdf", "network.docx", "funder.docx"} < set(one)
    told = [json.loads(files.pop("provenance.json")) for files in (one, two)]
    assert one == two
    assert [t.pop("made_at") != "" for t in told] == [True, True]
    assert told[0] == told[1]


def test_a_question_that_fails_is_seen_and_the_rest_is_made(short, talipes, tmp_path):
    settings = short("1 / 0", SHOW)
    code, err = talipes("report", settings, "--out", tmp_path / "out")
    assert code == 9
    assert "2 of the report's questions" in err
    assert "division by zero" in err
    assert "Traceback" not in err
    network, funder = (
        (tmp_path / "out" / name).read_text() for name in ("network.html", "funder.html")
    )
    assert "Reason: division by zero" in network
    assert "division by zero" not in funder
    assert '<section class="block"' in network
    assert '<section class="block"' in funder


def test_a_failed_run_leaves_the_last_good_report(short, talipes, tmp_path):
    settings = short(SHOW)
    out = tmp_path / "out"
    assert talipes("report", settings, "--out", out)[0] == 0
    before = contents(out)
    (tmp_path / "visits.csv").write_text("")
    assert talipes("report", settings, "--out", out)[0] == 4
    write_programme(tmp_path, n_children=20)
    short("import os", "os._exit(1)")
    assert talipes("report", settings, "--out", out)[0] == 9
    assert contents(out) == before


def test_a_public_report_lists_no_record_and_no_clinic(short, talipes, tmp_path):
    settings = short(SHOW, formats=["pdf", "docx"])
    out = tmp_path / "out"
    code, _ = talipes("report", settings, "--audience", "public", "--out", out)
    assert code == 0
    inside = {name for name in FILES if name.startswith("records_to_fix/")} | {"state.json"}
    assert set(contents(out)) == FILES - inside
    for name in ("network.html", "results.json", "provenance.json"):
        text = (out / name).read_text()
        assert "visits.csv" not in text, name
        assert "Second" not in text, name
