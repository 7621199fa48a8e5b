"""Pages on paper: nothing cut off, nothing to press, and the run, the address and the cautions kept."""

from __future__ import annotations

import unicodedata
from collections.abc import Callable
from io import BytesIO

import pytest
from playwright.sync_api import Page
from pypdf import PdfReader

from dashboards import wording
from tests.browser.conftest import Server, Watched
from tests.browser.test_dashboard_pages import VIEWS

pytestmark = pytest.mark.browser

Watch = Callable[..., Watched]

#: Layout width of a sheet of letter paper, less its margins, at the size that pages are printed in [px].
SHEET = 880

#: What reaches beyond the right edge of a sheet; asked at once, before drawings follow the width, as when one prints.
BEYOND = """
(sheet) => {
  const found = [];
  document.body.style.width = `${sheet}px`;
  const right = document.querySelector("main").getBoundingClientRect().right;
  const walk = (root) => root.querySelectorAll("*").forEach((piece) => {
    if (piece.shadowRoot) walk(piece.shadowRoot);
    if (!piece.matches("svg.marks, canvas, table")) return;
    const box = piece.getBoundingClientRect();
    if (box.width > 1 && box.right > right + 1) found.push(`${piece.tagName} ${Math.round(box.right)}`);
  });
  walk(document);
  document.body.style.width = "";
  return found;
}
"""


def settle(page: Page, words: str) -> None:
    page.get_by_text(words, exact=True).first.wait_for(state="attached")
    page.wait_for_timeout(1500)


def on_paper(page: Page) -> str:
    """The text of the sheets; letters that print joins, such as f and i, are apart again."""
    sheets = PdfReader(BytesIO(page.pdf(format="Letter"))).pages
    joined = " ".join(sheet.extract_text() for sheet in sheets)
    return " ".join(unicodedata.normalize("NFKC", joined).split())


@pytest.mark.parametrize("view", [*VIEWS, "map"])
def test_a_page_is_whole_on_paper(town_server: Server, watch: Watch, view: str) -> None:
    query, last_words, _ = VIEWS.get(view, ("page=map", "Show", 0))
    watched = watch(town_server)
    page = watched.open(query)
    settle(page, last_words)
    text = on_paper(page)
    assert wording.CAUTIONS[0] in text
    assert "is an invented town" in text
    assert "inspections" in text, "the line of the run"
    assert f"?{query.split('&')[0]}" in text, "the address of the view"
    for words in (
        "Skip to the content",
        "Clear the filters",
        "Which connections first Where to offer a look",
    ):
        assert words not in text
    page.emulate_media(media="print")
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    assert page.evaluate(BEYOND, SHEET) == []
    page.emulate_media(media="screen")
    page.evaluate("dispatchEvent(new Event('afterprint'))")
    assert page.evaluate("document.querySelectorAll('.u-stacked').length") == 0
    watched.assert_clean()
