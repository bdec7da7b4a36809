"""A page as PDF: the same HTML laid out for paper, figures as vectors, nothing fetched."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from types import ModuleType
from typing import Any

import matplotlib as mpl

from analytics.errors import OutputError

#: Debian's names of the libraries that lay out text; WeasyPrint loads them and does not bring them.
LIBRARIES = "libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0 fonts-liberation"

#: A text that matplotlib drew as outlines, with the text itself in a comment before it.
_OUTLINED = re.compile(
    r'<!-- (?P<text>.*?) -->\s*<g (?:style="(?P<style>[^"]*)" )?'
    r'transform="(?P<place>[^"]*?) ?scale\((?P<size>[\d.]+) -[\d.]+\)">\s*'
    r"(?:<defs>(?:(?!</defs>).)*</defs>\s*)?(?:<use [^>]*/>\s*)*</g>",
    re.DOTALL,
)
_FIGURE = re.compile(r"<svg .*?</svg>", re.DOTALL)
_NAME = re.compile(r'aria-label="([^"]*)"')
_SPACES = 'xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '

#: Outlines are drawn at this many units to one unit of the font's size.
_UNITS = 100

_FONT = "own:font"
_FACE = f'@font-face {{ font-family: "Figures"; src: url("{_FONT}"); }}\n'


def build_pdf(html: str) -> bytes:
    """Return a page as PDF, with tags for readers who listen: the same bytes for the same page.

    Parameters
    ----------
    html
        As built by ``build_page``.

    Raises
    ------
    OutputError
        When the libraries that lay out text are not on this machine.
    """
    engine = load_engine()
    page, figures = _take_figures(html)
    own = {_FONT: _Part(_font_file().read_bytes(), "font/ttf")} | figures
    made = engine.HTML(string=page, base_url="own:", url_fetcher=_give_only(own)).write_pdf(
        pdf_tags=True
    )
    assert isinstance(made, bytes)  # without a target the bytes are returned
    return made


def load_engine() -> ModuleType:
    """Return the library that lays out pages; it is loaded on demand, since it takes a second.

    Raises
    ------
    OutputError
        Naming what to install.
    """
    try:
        return import_module("weasyprint")
    except (ImportError, OSError) as error:
        raise OutputError(
            "the PDF files are not made: a library that lays out text is missing",
            where=str(error).splitlines()[0],
            allowed="the HTML pages are whole without it, and print from a browser",
            todo=f"install it, on Debian with: apt-get install {LIBRARIES}",
        ) from error


@dataclass(frozen=True)
class _Part:
    body: bytes
    kind: str


def _give_only(own: Mapping[str, _Part]) -> Any:
    """Return what gives the page its own parts, and refuses everything else."""
    urls = import_module("weasyprint.urls")

    class Own(urls.URLFetcher):  # type: ignore[name-defined]
        def fetch(self, url: str, headers: object = None) -> Any:
            part = own.get(url)
            if part is None:
                raise ValueError(f"a page asks nothing of the outside, but asked for {url}")
            return urls.URLFetcherResponse(url, part.body, {"Content-Type": part.kind})

    return Own()


def _font_file() -> Path:
    return Path(mpl.get_data_path()) / "fonts" / "ttf" / "DejaVuSans.ttf"


def _take_figures(html: str) -> tuple[str, dict[str, _Part]]:
    """Return the page with its figures as pictures of their own, and those by address.

    The style of a page is then not looked up for each of ten thousand strokes.
    """
    figures: dict[str, _Part] = {}

    def take(found: re.Match[str]) -> str:
        svg = found[0]
        address = f"own:figure-{len(figures)}"
        whole = svg if "xmlns=" in svg[: svg.index(">")] else f"<svg {_SPACES}{svg[5:]}"
        figures[address] = _Part(_as_text(whole).encode(), "image/svg+xml")
        name = _NAME.search(svg)
        return f'<img src="{address}" alt="{name[1] if name else ""}">'

    page = _FIGURE.sub(take, html)
    return page.replace("<style>\n", f"<style>\n{_FACE}", 1), figures


def _as_text(svg: str) -> str:
    """Return a figure whose texts are text, in the font that their outlines were taken from."""

    def write(found: re.Match[str]) -> str:
        size = float(found["size"]) * _UNITS
        style = f"{found['style'] or ''}; font: {size:g}px Figures"
        place = f' transform="{found["place"]}"' if found["place"] else ""
        return f'<text style="{style}"{place}>{found["text"]}</text>'

    return _OUTLINED.sub(write, svg)
