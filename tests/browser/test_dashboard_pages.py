"""Every page in a real browser at both widths: what it shows, and that nothing goes wrong or goes out."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest
from playwright.sync_api import Locator, Page, expect

from dashboards import wording
from pipeline.published.read import open_current
from tests.browser import made_up
from tests.browser.conftest import COMMAND, ROOT, TOWN_LOTS, WIDTHS, Server, Watched, running_server

pytestmark = pytest.mark.browser

Watch = Callable[..., Watched]

#: Query of each page, words that are there only when its last part has been drawn, and its charts at least.
VIEWS = {
    "age": ("page=age", "All materials", 5),
    "where": ("page=where", "found / expected", 2),
    "sale": ("page=sale", "Every look at this line", 2),
    "sale_subdivision": (
        "page=sale&about=subdivision",
        "The chance that k lots or more have a repair-grade finding now.",
        1,
    ),
    "budget": ("page=budget", "What it assumes", 2),
    "connections": ("page=connections", "What it assumes", 1),
    "canvass": ("page=canvass", "Fair dealing", 1),
    "trust": ("page=trust", "Subdivisions that were left out", 2),
    "records": ("page=records", "Contradictions by kind", 1),
}


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("view", VIEWS)
def test_every_page_of_the_town_draws_at_both_widths_and_asks_nobody_else(
    town_server: Server, watch: Watch, view: str, width: str
) -> None:
    query, last_words, n_charts = VIEWS[view]
    watched = watch(town_server, width)
    page = watched.open(query)
    expect(page.get_by_text(last_words, exact=True).first).to_be_attached()
    charts = page.locator(".vega-embed")
    expect(charts.nth(n_charts - 1).locator("svg path, canvas").first).to_be_attached()
    assert charts.count() == charts.filter(has=page.locator("svg path, canvas")).count(), "an empty chart"
    expect(page.locator("h1")).to_have_count(1)
    expect(page.get_by_text(wording.CAUTIONS[0])).to_be_attached()
    expect(page.get_by_text("is an invented town", exact=False)).to_be_visible()
    expect(page.locator(".u-error")).to_have_count(0)
    too_wide = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
    assert too_wide <= 0, "the page itself must not scroll sideways"
    _keep_picture(page, f"{view}_{width}")
    watched.assert_clean()


@pytest.mark.parametrize("query", ["page=budget", "page=connections", "page=where"])
def test_on_a_wide_screen_no_column_of_a_table_is_out_of_sight(
    town_server: Server, watch: Watch, query: str
) -> None:
    watched = watch(town_server)
    page = watched.open(query)
    regions = page.locator(".u-scroll")
    expect(regions.first).to_be_visible()
    expect(page.locator(".vega-embed").last).to_be_visible()
    hidden = regions.evaluate_all(
        "all => all.map(e => [e.getAttribute('aria-label'), e.scrollWidth - e.clientWidth]).filter(e => e[1] > 1)"
    )
    assert hidden == []
    watched.assert_clean()


def _keep_picture(page: Page, name: str) -> None:
    """Keep a picture where one is asked for: UNDERLOT_SCREENSHOTS=1."""
    if os.environ.get("UNDERLOT_SCREENSHOTS"):
        folder = Path(__file__).with_name("screenshots")
        folder.mkdir(exist_ok=True)
        page.screenshot(path=folder / f"{name}.png", full_page=True)


def areas_table(page: Page) -> Locator:
    """The table of areas; hot spots have one of their own above it."""
    return page.get_by_role("table", name=re.compile("^(Blocks|Subdivisions): "))


def test_the_numbers_on_the_pages_are_the_published_ones(
    town: Path, town_server: Server, watch: Watch
) -> None:
    with open_current(town) as reader:
        group = reader.query(
            "SELECT * FROM curve_groups WHERE outcome = 'structural' AND material = 'vitrified_clay'"
        ).row(0, named=True)
        block = reader.query(
            "SELECT * FROM blocks WHERE status = 'ok' ORDER BY n_inspected DESC, block LIMIT 1"
        ).row(0, named=True)
        lot = reader.query(
            "SELECT * FROM lots WHERE status = 'ok' AND n_inspections = 0 AND failure_probability BETWEEN 0.1 AND 0.9 LIMIT 1"
        ).row(0, named=True)
        n_read = int(reader.query("SELECT n_read FROM loads WHERE file_name = 'findings.csv'")["n_read"][0])
    watched = watch(town_server)

    page = watched.open("page=age&outcome=structural&material=vitrified_clay")
    row = page.get_by_role("row").filter(has_text="vitrified clay")
    expect(row.get_by_role("cell").nth(1)).to_have_text(f"{group['n_lives']:,}")
    expect(row.get_by_role("cell").nth(3)).to_have_text(f"{group['n_bad']:,}")
    figure = page.locator(".u-figure").filter(has_text="pipes looked at")
    expect(figure.locator("b")).to_have_text(f"{group['n_lives']:,}")

    page = watched.open("page=where&order=most inspected")
    cells = areas_table(page).get_by_role("row").nth(1).get_by_role("cell")
    expect(cells.nth(0)).to_have_text(block["block"])
    expect(cells.nth(3)).to_have_text(f"{block['n_inspected']}")
    expect(cells.nth(5)).to_have_text(f"{block['expected']:.1f}")

    page = watched.open(f"page=sale&lot={lot['lot_id']}")
    now = page.locator(".u-figure").filter(has_text=wording.CHANCE_NOW)
    expect(now.locator("b")).to_have_text(f"{100 * lot['failure_probability']:.0f} %")
    expect(page.get_by_text(wording.NO_CAMERA).first).to_be_visible()
    expect(page.get_by_text(wording.SCREENING)).to_be_visible()

    page = watched.open("page=records")
    expect(page.locator(".u-figure").filter(has_text="lots").first.locator("b")).to_have_text(
        f"{TOWN_LOTS:,}"
    )
    loaded = page.get_by_role("row").filter(has_text="findings.csv")
    expect(loaded.get_by_role("cell").nth(4)).to_have_text(f"{n_read:,}")
    watched.assert_clean()


def test_choosing_an_outcome_draws_it_and_stands_in_the_address(made_up_server: Server, watch: Watch) -> None:
    watched = watch(made_up_server)
    page = watched.open("page=age")
    frames = made_up.frames()["curve_groups"]
    wanted = frames.filter(outcome="structural", material="vitrified_clay")["n_lives"][0]
    page.get_by_label("What counts as failed").select_option(label="Structural")
    expect(page.get_by_role("row").filter(has_text="vitrified clay")).to_contain_text(f"{wanted:,}")
    expect(page).to_have_url(f"{made_up_server.address}/?page=age&outcome=structural")
    watched.assert_clean()


def test_a_refused_curve_says_why_and_draws_no_curve(made_up_server: Server, watch: Watch) -> None:
    watched = watch(made_up_server)
    page = watched.open("page=age&material=lead")
    expect(page.get_by_text("No stepped curve. Only 9 pipes were looked at", exact=False)).to_be_visible()
    expect(page.get_by_text("No fitted curve. Only 9 pipes were looked at", exact=False)).to_be_visible()
    expect(page.locator(".vega-embed")).to_have_count(1)  # the looks alone
    watched.assert_clean()


def test_figures_say_whether_they_are_as_called_or_corrected(made_up_server: Server, watch: Watch) -> None:
    watched = watch(made_up_server)
    page = watched.open("page=age&outcome=any")
    expect(page.get_by_text("calls 80 % of failed pipe failed", exact=False)).to_be_visible()
    page.get_by_label("What counts as failed").select_option(label="Grade (bellies)")
    expect(page.get_by_text("Nothing is corrected", exact=False)).to_be_visible()
    watched.assert_clean()


def test_a_lot_is_found_by_a_part_of_its_address(made_up_server: Server, watch: Watch) -> None:
    watched = watch(made_up_server)
    page = watched.open("page=sale")
    page.get_by_label("Address or lot").press_sequentially("17 mock")
    expect(page.get_by_text("lots found. Choose one from the list.", exact=False)).to_be_visible()
    page.get_by_label("Lots found").select_option(label="17 Mock Lane")
    expect(page.get_by_role("heading", name="17 Mock Lane")).to_be_visible()
    lot = made_up.frames()["lots"].filter(address="17 Mock Lane").row(0, named=True)
    figure = page.locator(".u-figure").filter(has_text=wording.CHANCE_NOW)
    expect(figure).to_contain_text(f"{100 * lot['failure_probability']:.0f} %")
    expect(page.get_by_text(wording.NO_CAMERA).first).to_be_visible()  # odd lots were never inspected
    expect(page).to_have_url(f"{made_up_server.address}/?page=sale&lot={lot['lot_id']}")
    watched.assert_clean()


def test_a_search_is_answered_by_the_keyboard_alone(made_up_server: Server, watch: Watch) -> None:
    watched = watch(made_up_server)
    page = watched.open("page=sale")
    field = page.get_by_label("Address or lot")
    field.press_sequentially("301 mock")
    expect(page.get_by_text("1 lot found.")).to_be_visible()
    field.press("Enter")
    expect(page.get_by_role("heading", name="301 Mock Lane")).to_be_visible()
    field.fill("no such street")
    expect(page.get_by_text("No lot has this in its address.", exact=False)).to_be_visible()
    watched.assert_clean()


def test_words_from_the_records_are_text_never_markup(made_up_server: Server, watch: Watch) -> None:
    watched = watch(made_up_server)
    page = watched.open("page=sale&lot=L00000")
    expect(page.get_by_role("heading", name=made_up.NASTY_ADDRESS)).to_be_visible()
    page = watched.open("page=records")
    expect(page.get_by_text("<script>alert(1)</script>")).to_be_visible()
    watched.assert_clean()


def test_a_foreign_line_stops_work(made_up_server: Server, watch: Watch) -> None:
    watched = watch(made_up_server)
    page = watched.open("page=sale&lot=L00000")
    expect(page.get_by_text(wording.STOP_WORK)).to_be_visible()
    page = watched.open("page=sale&lot=L00004")
    expect(page.get_by_role("heading", name="4 Mock Lane")).to_be_visible()
    expect(page.get_by_text(wording.STOP_WORK)).to_have_count(0)
    watched.assert_clean()


def test_areas_with_too_few_records_say_so(made_up_server: Server, watch: Watch) -> None:
    watched = watch(made_up_server)
    page = watched.open("page=where")
    blocks = made_up.frames()["blocks"]
    n_enough = blocks.filter(status="ok").height
    figure = page.locator(".u-figure").filter(has_text="with enough records to judge")
    expect(figure).to_contain_text(str(n_enough))
    page.get_by_label("Order of the table").select_option(label="least inspected")
    expect(areas_table(page).get_by_role("row").nth(1)).to_contain_text("too few records")
    page.get_by_label("Subdivision").select_option(label="Mock Acres 2")
    n_here = blocks.filter(pl.col("subdivision") == "Mock Acres 2").height
    expect(page.locator(".u-figure").filter(has_text="blocks")).to_contain_text(str(n_here))
    page.get_by_label("Areas").select_option(label="subdivisions")
    expect(page.locator(".u-figure").filter(has_text="subdivisions")).to_contain_text("1")
    expect(page).to_have_url(
        f"{made_up_server.address}/?page=where&order=least+inspected&subdivision=Mock+Acres+2&areas=subdivisions"
    )
    watched.assert_clean()


def test_nothing_published_says_what_to_do_next(tmp_path: Path, watch: Watch) -> None:
    with running_server(tmp_path, tmp_path / "server.log") as server:
        watched = watch(server)
        page = watched.open("page=age")
        expect(page.get_by_text(wording.NOTHING_PUBLISHED, exact=True)).to_be_visible()
        expect(page.get_by_text("underlot demo", exact=True)).to_be_visible()
        watched.assert_clean()


def test_empty_records_say_what_to_do_on_every_page(tmp_path: Path, watch: Watch) -> None:
    tables = {name: frame.clear() for name, frame in made_up.frames().items()}
    tables["run"] = made_up.frames()["run"].with_columns(n_lots=0, n_inspections=0, n_lots_inspected=0)
    made_up.publish(tmp_path, tables)
    with running_server(tmp_path, tmp_path / "server.log") as server:
        watched = watch(server)
        for query, words in {
            "page=age": wording.NO_LOOKS,
            "page=where": wording.NO_AREAS,
            "page=sale": wording.NO_LOTS,
            "page=sale&about=subdivision": wording.NO_LOTS,
            "page=trust": wording.NO_LOOKS,
            "page=records": "Nothing was loaded",
        }.items():
            expect(watched.open(query).get_by_text(words, exact=True)).to_be_visible()
        watched.assert_clean()


def test_records_without_places_keep_their_table(tmp_path: Path, watch: Watch) -> None:
    tables = made_up.frames()
    nowhere = [
        pl.lit(None, pl.Float64).alias(c)
        for c in ("x_ft", "y_ft", "x_min_ft", "y_min_ft", "x_max_ft", "y_max_ft")
    ]
    made_up.publish(tmp_path, tables | {"blocks": tables["blocks"].with_columns(nowhere)})
    with running_server(tmp_path, tmp_path / "server.log") as server:
        watched = watch(server)
        page = watched.open("page=where")
        expect(page.get_by_text(wording.NO_PLACES)).to_be_visible()
        expect(page.get_by_role("row").nth(3)).to_be_visible()
        watched.assert_clean()


def test_a_new_generation_is_shown_to_the_next_session(tmp_path: Path, watch: Watch) -> None:
    made_up.publish(tmp_path)
    with running_server(tmp_path, tmp_path / "server.log") as server:
        watched = watch(server)
        expect(watched.open("page=records").get_by_text("Mockford", exact=True)).to_be_visible()
        tables = made_up.frames()
        tables["run"] = tables["run"].with_columns(town_name=pl.lit("Newer Mockford"))
        made_up.publish(tmp_path, tables)
        expect(watched.open("page=records").get_by_text("Newer Mockford", exact=True)).to_be_visible()
        watched.assert_clean()


BROKEN_PAGES = """
import sys
from pathlib import Path
import panel as pn
from dashboards import parts
from dashboards.app import PAGES
from dashboards.serve import serve

def broken(records):
    raise RuntimeError("secret inside")

def breaks_later(records):
    def fail(event):
        raise RuntimeError("secret inside")
    button = pn.widgets.Button(name="Press")
    button.on_click(fail)
    return pn.Column(parts.title("Breaks later", "when pressed"), button)

serve(Path(sys.argv[1]), port=int(sys.argv[2]), open_browser=False,
      pages=PAGES | {"age": broken, "where": breaks_later})
"""
BROKEN = ("-c", BROKEN_PAGES.replace("{", "{{").replace("}", "}}"), "{workspace}", "{port}")


def test_a_page_that_fails_shows_a_card_with_a_reference(tmp_path: Path, watch: Watch) -> None:
    made_up.publish(tmp_path)
    with running_server(tmp_path, tmp_path / "server.log", BROKEN) as server:
        watched = watch(server)
        watched.page.goto(f"{server.address}/?page=age")
        alert = watched.page.get_by_role("alert").filter(has_text=wording.ERROR_TITLE)
        expect(alert).to_be_visible()
        _assert_fault_is_in_the_log_only(watched, alert.inner_text())
        expect(watched.page.get_by_role("link", name="The records")).to_be_visible()


def test_an_answer_that_fails_is_told_with_a_reference(tmp_path: Path, watch: Watch) -> None:
    made_up.publish(tmp_path)
    with running_server(tmp_path, tmp_path / "server.log", BROKEN) as server:
        watched = watch(server)
        watched.open("page=where").get_by_role("button", name="Press").click()
        told = watched.page.get_by_text("Something went wrong that should not have", exact=False)
        expect(told.first).to_be_visible()
        _assert_fault_is_in_the_log_only(watched, told.first.inner_text())


def _assert_fault_is_in_the_log_only(watched: Watched, shown: str) -> None:
    reference = shown.rstrip().rstrip(".").split()[-1]
    assert len(reference) == 6
    log = watched.server.log()
    assert f"[reference {reference}]" in log
    assert "RuntimeError: secret inside" in log
    assert "secret inside" not in watched.page.content()
    assert watched.console == []
    assert watched.faults == []


def test_one_slow_page_does_not_hold_up_another(tmp_path: Path, watch: Watch) -> None:
    """A callback that takes 30 seconds in one session; the other session answers meanwhile."""
    made_up.publish(tmp_path)
    slow = tuple(
        part.replace(
            'raise RuntimeError("secret inside")\n    button', "__import__('time').sleep(30)\n    button"
        ).replace('"age": broken, ', "")
        for part in BROKEN
    )
    with running_server(tmp_path, tmp_path / "server.log", slow) as server:
        first, second = watch(server), watch(server)
        page = second.open("page=sale&lot=L00004")
        first.open("page=where").get_by_role("button", name="Press").click()
        page.get_by_label("Address or lot").press_sequentially("301 mock")
        expect(page.get_by_text("1 lot found.")).to_be_visible(timeout=25_000)
        second.assert_clean()


def test_a_port_in_use_is_one_sentence(made_up_server: Server, tmp_path: Path) -> None:
    port = made_up_server.address.rsplit(":", 1)[1]
    made_up.publish(tmp_path)
    arguments = [part.format(workspace=tmp_path, port=port) for part in COMMAND]
    done = subprocess.run(
        [sys.executable, *arguments], cwd=ROOT, capture_output=True, text=True, timeout=60, check=False
    )
    assert done.stderr == (
        f"Port {port} is already in use, perhaps by another dashboard. Stop that one, or choose another port with --port.\n"
    )
    assert done.returncode == 2
    assert done.stdout == ""
