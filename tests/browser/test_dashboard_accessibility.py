"""Every page by axe-core's rules (https://github.com/dequelabs/axe-core), at both widths, and by keyboard alone.

axe rates each finding; none of the two upper ratings ('serious', 'critical') is let through.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from pathlib import Path

import axe_playwright_python
import pytest
from playwright.sync_api import Page

from dashboards import theme
from dashboards.charts import town_map
from dashboards.reports.make import save_report
from pipeline.accounts import Accounts
from pipeline.settings import Workspace
from tests.browser import made_up
from tests.browser.conftest import WIDTHS, Server, Watched, running_server

pytestmark = pytest.mark.browser

AXE = (Path(axe_playwright_python.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
PAGES = {
    "age": "page=age",
    "where": "page=where",
    "map": "page=map&lot=L00004",
    "house": "page=sale&lot=L00000",
    "subdivision": "page=sale&about=subdivision",
    "budget": "page=budget",
    "connections": "page=connections",
    "canvass": "page=canvass",
    "trust": "page=trust",
    "records": "page=records",
}
Watch = Callable[..., Watched]


def findings(page: Page) -> list[str]:
    page.evaluate(AXE)
    violations = page.evaluate("async () => (await axe.run(document)).violations")
    return [
        f"{v['impact']} {v['id']}: {v['nodes'][0]['html'][:120]}"
        for v in violations
        if v["impact"] in {"serious", "critical"}
    ]


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("name", PAGES)
def test_axe_finds_nothing_serious(made_up_server: Server, watch: Watch, name: str, width: str) -> None:
    watched = watch(made_up_server, width)
    page = watched.open(PAGES[name])
    page.wait_for_load_state("networkidle")
    page.wait_for_timeout(500)
    assert findings(page) == []
    too_wide = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
    assert too_wide <= 0, "the page itself must not scroll sideways"


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize(
    "about", [{"lot": "L00004"}, {"subdivision_name": "Mock Acres 2"}], ids=["house", "area"]
)
def test_axe_finds_nothing_serious_in_a_report(
    made_up_server: Server, watch: Watch, tmp_path: Path, about: dict[str, str], width: str
) -> None:
    made_up.publish(tmp_path / "work")
    file = tmp_path / "report.html"
    save_report(Workspace(tmp_path / "work"), file, **{"lot": None, "subdivision_name": None, **about})
    page = watch(made_up_server, width).page
    page.goto(file.as_uri())
    assert findings(page) == []
    too_wide = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
    assert too_wide <= 0, "the page itself must not scroll sideways"


@pytest.mark.parametrize("width", WIDTHS)
def test_axe_finds_nothing_serious_where_one_signs_in(watch: Watch, tmp_path: Path, width: str) -> None:
    made_up.publish(tmp_path)
    Accounts(Workspace(tmp_path)).add("office", role="all", portfolios=(), password="a long pass phrase")
    with running_server(tmp_path, tmp_path / "server.log") as server:
        watched = watch(server, width)
        watched.page.goto(server.address)
        watched.page.get_by_role("heading", name="Sign in").wait_for()
        assert findings(watched.page) == []
        watched.assert_clean()


def test_axe_would_find_a_button_without_a_name(made_up_server: Server, watch: Watch) -> None:
    page = watch(made_up_server).open("page=where")
    page.evaluate("document.querySelector('main').append(document.createElement('button'))")
    assert any("button-name" in finding for finding in findings(page))


def test_the_first_stop_of_the_keyboard_leads_to_the_content(made_up_server: Server, watch: Watch) -> None:
    page = watch(made_up_server).open("page=age")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to the content"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "content"


def luminance(colour: str) -> float:
    """Relative luminance of #RRGGBB, as WCAG 2.2 defines it (https://www.w3.org/TR/WCAG22/#dfn-relative-luminance)."""
    shares = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in shares]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, two: str) -> float:
    """Contrast ratio (https://www.w3.org/TR/WCAG22/#dfn-contrast-ratio)."""
    high, low = sorted((luminance(one), luminance(two)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_contrast_formula_by_its_extremes() -> None:
    assert contrast("#000000", "#FFFFFF") == pytest.approx(21)
    assert contrast("#777777", "#777777") == pytest.approx(1)


@pytest.mark.parametrize("text", [theme.INK, theme.QUIET, theme.DEEP, theme.CLAY])
@pytest.mark.parametrize("paper", [theme.PAPER, theme.CARD])
def test_text_has_the_contrast_of_level_aa(text: str, paper: str) -> None:
    # WCAG 2.2, success criterion 1.4.3: at least 4.5 to 1.
    assert contrast(text, paper) >= 4.5


#: What a dichromat sees of linear RGB. Viénot, Brettel & Mollon (1999), Color Research & Application 24, 243-252;
#: matrices for full protanopia and deuteranopia as widely reprinted, from memory.
SEEN_BY = {
    "protanope": ((0.11238, 0.88762, 0.0), (0.11238, 0.88762, 0.0), (0.00401, -0.00401, 1.0)),
    "deuteranope": ((0.29275, 0.70725, 0.0), (0.29275, 0.70725, 0.0), (-0.02234, 0.02234, 1.0)),
}


@pytest.mark.parametrize("palette", [town_map.CHANCE, town_map.SEEN], ids=["chance", "seen"])
def test_classes_of_the_map_darken_step_by_step(palette: tuple[str, ...]) -> None:
    """Order told by lightness alone is seen by every reader, and in a grey print."""
    for pale, deep in itertools.pairwise(palette):
        assert contrast(pale, deep) > 1.2


@pytest.mark.parametrize("reader", SEEN_BY)
def test_more_and_fewer_than_expected_stay_apart_for_dichromats(reader: str) -> None:
    def seen(colour: str) -> list[float]:
        linear = [(int(colour[i : i + 2], 16) / 255) ** 2.2 for i in (1, 3, 5)]
        return [math.sumprod(row, linear) if hasattr(math, "sumprod") else sum(a * b for a, b in zip(row, linear, strict=True)) for row in SEEN_BY[reader]]  # fmt: skip

    more, fewer = seen(theme.MORE), seen(theme.FEWER)
    assert math.dist([max(v, 0) ** (1 / 2.2) for v in more], [max(v, 0) ** (1 / 2.2) for v in fewer]) > 0.25
