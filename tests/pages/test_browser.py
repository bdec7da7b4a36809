"""Pages in a real browser: what a reader meets with mouse, keyboard, phone, paper, no scripts.

Needs chromium, node, and a folder whose node_modules hold what ``.ci/browser-tools.txt`` names; the
variable TALIPES_BROWSER_TOOLS names the folder. Without them these tests are skipped, unless the
variable TALIPES_BROWSER_NEEDED is set, as ``.ci/run`` does.
"""

import base64
import json
import os
import re
import shutil
import subprocess
from pathlib import Path

import pypdfium2
import pytest
from funder_page import funder_page

from analytics.definitions.labels import label, languages

SCRIPT = Path(__file__).with_name("browser.mjs")
TOOLS = os.environ.get("TALIPES_BROWSER_TOOLS", "")
PAGES = ("network.html", "funder.html", "clinics/clinic-K1.html")

#: Words are longer in other languages: the funder's page of the demo in each of them.
TRANSLATED = tuple(language for language in languages() if language != "en")


def missing():
    found = {"chromium": shutil.which("chromium"), "node": shutil.which("node")}
    lacking = [name for name, path in found.items() if not path]
    if not (Path(TOOLS) / "node_modules" / "axe-core").is_dir() or not TOOLS:
        lacking.append("the packages of .ci/browser-tools.txt in TALIPES_BROWSER_TOOLS")
    return lacking


@pytest.fixture(scope="module", params=(*PAGES, *TRANSLATED))
def seen(request, whole, tmp_path_factory):
    lacking = missing()
    if lacking and os.environ.get("TALIPES_BROWSER_NEEDED"):
        pytest.fail(f"browser tests must run here, but there is no {', no '.join(lacking)}")
    if lacking:
        pytest.skip(f"pages were not looked at in a browser: there is no {', no '.join(lacking)}")
    page = whole / request.param
    if request.param in TRANSLATED:
        page = tmp_path_factory.mktemp(request.param) / "funder.html"
        page.write_text(funder_page(request.param), encoding="utf-8")
    command = ["node", SCRIPT, TOOLS, shutil.which("chromium"), page]
    run = subprocess.run(command, capture_output=True, text=True, timeout=280)
    assert run.returncode == 0, run.stderr
    language = request.param if request.param in TRANSLATED else "en"
    return json.loads(run.stdout) | {"name": page.name, "language": language}


def test_nothing_is_asked_of_the_outside(seen):
    assert seen["desktop"]["asked"] == seen["phone"]["asked"] == []


def test_a_phone_does_not_scroll_sideways(seen):
    assert seen["phone"]["width"] == seen["phone"]["view"] == 380
    assert seen["phone"]["unreachable"] == 0


def test_an_accessibility_check_finds_nothing_grave(seen):
    assert seen["grave"] == []
    assert seen["n_rules"] > 20


def test_figures_are_named_and_cells_have_headers(seen):
    assert seen["desktop"]["n_tables"] > 0
    assert seen["desktop"]["n_figures"] > 0
    assert seen["desktop"]["unnamed"] == seen["desktop"]["headless"] == []


def test_the_contents_lead_where_they_say(seen):
    assert seen["desktop"]["dead"] == []
    assert seen["contents"]["lost"] == []
    assert seen["contents"]["n"] == (0 if seen["name"] == "funder.html" else seen["contents"]["n"])


def test_the_keyboard_reaches_everything_and_shows_where_it_is(seen):
    keyboard = seen["keyboard"]
    assert keyboard["first"] == "skip"
    assert keyboard["reached"] == keyboard["wanted"] > 2
    assert keyboard["unseen"] == []


def test_all_of_it_is_there_without_scripts(seen):
    plain, scripted = seen["without_scripts"], seen["desktop"]
    assert {k: plain[k] for k in ("text", "n_tables", "n_figures")} == {
        k: scripted[k] for k in ("text", "n_tables", "n_figures")
    }


def test_paper_breaks_between_chapters_and_cuts_nothing(seen):
    printed = dict(seen["print"])
    document = pypdfium2.PdfDocument(base64.b64decode(printed.pop("pdf")))
    assert set(printed.values()) == {0}, printed
    texts = [page.get_textpage().get_text_bounded() for page in document]
    word = label(seen["language"], "page.print_page")
    assert all(re.search(rf"{word} {n} / {len(texts)}", text) for n, text in enumerate(texts, 1))
    if seen["name"] == "funder.html":
        assert len(texts) == 2
