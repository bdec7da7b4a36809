"""What a page shows of an executed notebook, and what it never does."""

import re

import nbformat
import pytest

from analytics.display.block import BLOCK_TYPE
from analytics.reports.chapters import read_chapter, render_markdown
from analytics.reports.page import build_page

V4 = nbformat.v4
BLOCK = "<figure><figcaption>A block</figcaption></figure>"

PROVENANCE = {
    "program": {"name": "talipes-outcomes", "version": "0.1.0"},
    "versions": {"python": "3.11.7", "pandas": "2.3.3"},
    "programme": "Network",
    "cut_off": "2025-12-31",
    "language": "en",
    "policy": {"audience": "internal", "months_only": False},
    "fingerprint": "0123456789abcdef",
    "protocol_differences": {},
    "seeds": [],
    "inputs": [
        {
            "file": "a.csv",
            "sha256": "a" * 64,
            "n_rows": 1234,
            "source_map": "north",
            "map_sha256": "b" * 64,
            "n_read": 1234,
            "n_kept": 1200,
            "n_merged": 30,
            "n_quarantined": 4,
        }
    ],
    "balance": {"n_read": 1234, "n_kept": 1200, "n_merged": 30, "n_quarantined": 4},
}


def markdown(text, *tags):
    return V4.new_markdown_cell(text, metadata={"tags": list(tags)})


def code(*outputs, tags=()):
    return V4.new_code_cell("secret_source = 1", outputs=list(outputs), metadata={"tags": [*tags]})


def block(audience="internal", html=BLOCK):
    data = {"text/html": html, "text/plain": "plain", BLOCK_TYPE: {"audience": audience}}
    return V4.new_output("execute_result", data=data, execution_count=1)


def bare():
    data = {"text/html": "<table>bare frame</table>", "text/plain": "bare frame"}
    return V4.new_output("execute_result", data=data, execution_count=1)


def error(reason):
    return V4.new_output("error", ename="E", evalue=reason, traceback=["/home/somebody/x.py"])


def chapter(*cells, audience="internal", is_first=True, name="08_quarter"):
    notebook = V4.new_notebook()
    notebook.cells = list(cells)
    return read_chapter(notebook, name=name, audience=audience, language="en", is_first=is_first)


def page(*chapters, **changed):
    return build_page(chapters, PROVENANCE | changed)


def test_words_and_blocks_are_shown_and_code_is_not():
    html = page(chapter(markdown("# The quarter"), code(block())))
    assert "The quarter</h1>" in html
    assert BLOCK in html
    assert "secret_source" not in html


def test_an_output_that_has_not_passed_the_gate_is_left_out_visibly():
    made = chapter(markdown("# T"), code(bare()))
    assert "bare frame" not in made.html
    assert "has not passed the disclosure policy" in made.html
    assert made.blocks == ()


def test_a_block_released_for_another_audience_is_left_out():
    made = chapter(markdown("# T"), code(block("internal")), audience="public")
    assert BLOCK not in made.html
    assert made.blocks == ()


def test_the_checked_headline_is_for_the_test_and_not_for_the_page():
    printed = V4.new_output("stream", name="stdout", text="12 feet")
    made = chapter(markdown("# T"), code(printed, bare(), tags=["headline"]))
    assert "12 feet" not in made.html
    assert "left-out" not in made.html


def test_words_for_the_notebook_alone_are_left_out():
    made = chapter(markdown("# T"), markdown("Read the settings.", "notebook-only"), code())
    assert "Read the settings" not in made.html


def test_a_failing_cell_states_its_reason_without_its_traceback():
    made = chapter(markdown("# T"), code(error("no <feet>\n  where: x")), code(block()))
    assert "could not be answered" in made.html
    assert "no &lt;feet&gt;<br>" in made.html
    assert "somebody" not in made.html
    assert BLOCK in made.html
    assert made.failures == ("no <feet>\n  where: x",)


def test_a_public_page_does_not_state_why_a_cell_failed():
    made = chapter(markdown("# T"), code(error("too few: n=3")), audience="public")
    assert "could not be answered" in made.html
    assert "n=3" not in made.html


@pytest.mark.parametrize(
    "text",
    [
        "<script>alert(1)</script>",
        "a <img src=x onerror=alert(1)>",
        "[x](javascript:alert(1))",
        "![x](https://example.org/x.png)",
    ],
)
def test_words_cannot_carry_code_or_fetch_anything(text):
    html, _ = render_markdown(text, prefix="p", shift=0)
    tags = re.findall(r"<\s*(\w+)", html)
    assert set(tags) <= {"p", "a"}
    assert "javascript:" not in "".join(re.findall(r'href="([^"]*)"', html))


def test_a_table_in_the_words_is_a_table():
    html, _ = render_markdown("| a | b |\n|---|---|\n| 1 | 2 |", prefix="p", shift=0)
    assert "<th>a</th>" in html


def test_later_chapters_go_one_level_down_and_every_anchor_is_reached_once():
    first = chapter(markdown("# One\n\n## A"), markdown("## A\n\n### Deep"))
    second = chapter(markdown("# Two\n\n## B"), is_first=False, name="01_rows")
    html = page(first, second)
    assert [(h.level, h.words) for h in second.headings] == [(2, "Two"), (3, "B")]
    assert html.count("<h1") == 1
    ids = re.findall(r'\bid="([^"]+)"', html)
    assert len(ids) == len(set(ids))
    links = re.findall(r'href="#([^"]+)"', html)
    assert set(links) <= set(ids)
    assert [h.anchor for h in (*first.headings, *second.headings) if h.anchor not in links] == [
        first.headings[3].anchor
    ]


def test_two_blocks_with_the_same_figure_have_anchors_of_their_own():
    figure = (
        '<svg id="f1"><defs><clipPath id="c1"/><path id="m" style="fill: #c1c1c1"/></defs>'
        '<g id="unused" clip-path="url(#c1)"><use xlink:href="#m"/></g></svg>'
    )
    made = chapter(markdown("# T"), code(block(html=figure)), code(block(html=figure)))
    ids = re.findall(r'\bid="([^"]+)"', made.html)
    used = re.findall(r'(?:url\(#|href="#)([^")]+)', made.html)
    assert len(ids) == len(set(ids)) == 1 + 2 * 2
    assert set(used) == {i for i in ids if "0-1" not in i}
    assert made.html.count("#c1c1c1") == 2
    assert "unused" not in made.html


def test_a_page_asks_nothing_of_the_outside_and_runs_nothing():
    html = page(chapter(markdown("# T"), code(block())))
    assert "default-src 'none'" in html
    assert not re.search(r"<(script|link|iframe|img|object|embed|base)\b", html)
    assert not re.search(r"@import|url\(", html)


def test_a_name_from_outside_cannot_leave_its_place():
    nasty = 'Net</style><script>alert(1)</script>"work'
    html = page(chapter(markdown("# T")), programme=nasty)
    assert "<script" not in html
    style = html[html.index("<style>") : html.index("</style>")]
    assert '"work' not in style


def test_a_page_says_its_language_and_lets_the_keyboard_skip():
    html = page(chapter(markdown("# T")))
    assert '<html lang="en">' in html
    assert html.index('href="#content"') < html.index("<nav")
    assert '<main id="content"' in html


def test_every_page_carries_the_cautions_and_where_its_numbers_come_from():
    html = page(chapter(markdown("# T")))
    for words in (
        "not for decisions about one child",
        "local protocols and the judgement of licensed practitioners",
        "who comes to them, from how records are kept, and from chance",
        "1,234 rows read = 1,200 kept + 30 merged + 4 quarantined",
        "a" * 16,
        "0123456789abcdef",
        "31 December 2025",
        "pandas 2.3.3",
    ):
        assert words in html
    assert "a" * 17 not in html


def test_windows_that_differ_from_the_default_are_printed():
    html = page(
        chapter(markdown("# T")),
        protocol_differences={"casts_many": {"default": 8, "in_force": 9}},
    )
    assert re.search(r"casts_many</th><td>8</td><td>9</td>", html)
    assert "at their default" not in html


def test_a_balance_with_a_withheld_part_says_so():
    html = page(chapter(markdown("# T")), balance={"n_read": 1230})
    assert "1,230 rows read, rounded; how they split is stated in the internal report" in html


def test_the_same_notebooks_give_the_same_page():
    assert page(chapter(markdown("# T"), code(block()))) == page(
        chapter(markdown("# T"), code(block()))
    )


def test_a_public_page_shows_the_month_of_the_cut_off_and_no_day():
    public = PROVENANCE | {"policy": {"audience": "public", "months_only": True}}
    html = build_page([chapter(markdown("# T"), audience="public")], public)
    assert "December 2025" in html
    assert "31 December" not in html
    assert "December 31" not in html
