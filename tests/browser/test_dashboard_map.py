"""The map in a browser: its window, its filters, its clicks, its twins for the keyboard, and its links."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest
from playwright.sync_api import Locator, Page, expect

from pipeline.published.read import open_current
from pipeline.settings import Workspace
from tests.browser import made_up
from tests.browser.conftest import Server, Watched

pytestmark = pytest.mark.browser

Watch = Callable[..., Watched]


def lots() -> pl.DataFrame:
    return made_up.frames()["lots"]


def count(page: Page, words: str) -> str:
    return page.locator(".u-figure").filter(has_text=words).locator("b").inner_text()


def test_the_map_draws_its_lots_and_names_those_of_the_highest_chance(
    made_up_server: Server, watch: Watch
) -> None:
    watched = watch(made_up_server)
    page = watched.open("page=map")
    expect(page.locator("canvas").first).to_be_visible()
    assert count(page, "lots drawn one by one") == f"{lots().height}"
    assert count(page, "of them looked at") == f"{lots().filter(pl.col('n_inspections') > 0).height}"
    highest = lots().sort("failure_probability", descending=True)["address"][0]
    expect(page.get_by_role("row").nth(1)).to_contain_text(highest)
    drawn = page.locator("canvas").first.evaluate(
        "c => new Set(c.getContext('2d').getImageData(0, 0, c.width, c.height).data).size"
    )
    assert drawn > 20, "an empty canvas has few values"
    watched.assert_clean()


def test_filters_narrow_the_map_down_and_stand_in_the_address(made_up_server: Server, watch: Watch) -> None:
    watched = watch(made_up_server)
    page = watched.open("page=map")
    page.get_by_label("Portfolio").select_option(label="M2")
    wanted = lots().filter(portfolio="M2").height
    expect(page.locator(".u-figure").filter(has_text="lots drawn one by one").locator("b")).to_have_text(
        f"{wanted}"
    )
    expect(page.get_by_text("Shown: portfolio M2.")).to_be_visible()
    expect(page).to_have_url(re.compile("portfolio=M2"))
    link = page.url
    again = watch(made_up_server)
    again.page.goto(link)
    again.page.locator("h1").wait_for()
    expect(
        again.page.locator(".u-figure").filter(has_text="lots drawn one by one").locator("b")
    ).to_have_text(f"{wanted}")
    page.get_by_role("button", name="Clear the filters").click()
    expect(page.get_by_text("No filter is set.")).to_be_visible()
    watched.assert_clean()
    again.assert_clean()


def test_looks_of_some_years_are_the_lots_that_have_them(made_up_server: Server, watch: Watch) -> None:
    watched = watch(made_up_server)
    page = watched.open("page=map&from=2024&to=2024")
    looks = made_up.frames()["lot_inspections"].filter(pl.col("look_year") >= 2024)
    expect(page.locator(".u-figure").filter(has_text="lots drawn one by one").locator("b")).to_have_text(
        f"{looks['lot_id'].n_unique()}"
    )
    watched.assert_clean()


def test_buttons_do_what_wheel_and_drag_do(made_up_server: Server, watch: Watch) -> None:
    watched = watch(made_up_server)
    page = watched.open("page=map")
    figure = page.locator(".u-figure").filter(has_text="lots drawn one by one").locator("b")
    everything = lots().height
    expect(figure).to_have_text(f"{everything}")
    closer = page.get_by_role("button", name="Closer")
    closer.focus()
    page.keyboard.press("Enter")
    expect(figure).not_to_have_text(f"{everything}")
    expect(page).to_have_url(re.compile("at="))
    page.get_by_role("button", name="All", exact=True).click()
    expect(figure).to_have_text(f"{everything}")
    watched.assert_clean()


def test_a_click_on_a_lot_tells_it_and_leads_to_its_page(made_up_server: Server, watch: Watch) -> None:
    watched = watch(made_up_server)
    page = watched.open("page=map&lot=L00004")
    expect(page.get_by_role("status").filter(has_text="4 Mock").first).to_be_visible()
    canvas = page.locator("canvas").first
    canvas.scroll_into_view_if_needed()
    box = canvas.bounding_box()
    assert box is not None
    # The lot is in the middle of a window 1,200 ft wide; the next one lies 90 ft to the east.
    page.mouse.click(box["x"] + box["width"] * (0.5 + 90 / 1200), box["y"] + box["height"] / 2)
    expect(page.get_by_role("status").filter(has_text="5 Mock").first).to_be_visible()
    expect(page).to_have_url(re.compile("lot=L00005"))
    page.get_by_role("link", name="Open its page").click()
    expect(page.get_by_role("heading", name="5 Mock")).to_be_visible()
    watched.assert_clean()


def test_the_wheel_comes_closer(made_up_server: Server, watch: Watch) -> None:
    watched = watch(made_up_server)
    page = watched.open("page=map")
    canvas = page.locator("canvas").first
    canvas.scroll_into_view_if_needed()
    box = canvas.bounding_box()
    assert box is not None
    figure = page.locator(".u-figure").filter(has_text="lots drawn one by one").locator("b")
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    for _ in range(4):
        page.mouse.wheel(0, -300)
        page.wait_for_timeout(100)
    expect(figure).not_to_have_text(f"{lots().height}")
    watched.assert_clean()


def test_shared_filters_go_along_to_the_next_page(made_up_server: Server, watch: Watch) -> None:
    watched = watch(made_up_server)
    page = watched.open("page=map&subdivision=Mock+Acres+2&at=1,2,3000")
    page.get_by_role("link", name="Where they fail", exact=True).click()
    page.locator("h1", has_text="Where they fail").wait_for()
    expect(page.get_by_label("Subdivision")).to_have_value("Mock Acres 2")
    assert "at=" not in page.url
    watched.assert_clean()


def drawn(page: Page, words: str = "lots drawn one by one") -> Locator:
    return page.locator(".u-figure").filter(has_text=words).locator("b")


def press_at(page: Page, east_ft: float, north_ft: float, high_ft: float = 600) -> None:
    """Click so many feet from the middle of the map, whose window is so high."""
    canvas = page.locator("canvas").first
    canvas.scroll_into_view_if_needed()
    box = canvas.bounding_box()
    assert box is not None
    # The frame takes 10 of the pixels.
    scale = (box["height"] - 10) / high_ft
    page.mouse.click(
        box["x"] + box["width"] / 2 + east_ft * scale, box["y"] + box["height"] / 2 - north_ft * scale
    )


def test_a_click_on_a_tie_in_or_a_main_tells_it(made_up_server: Server, watch: Watch) -> None:
    watched = watch(made_up_server)
    page = watched.open("page=map&lot=L00004")
    told = page.get_by_role("status")
    expect(told.filter(has_text="Tie-in of 4 Mock")).to_be_visible()
    # The lot's tie-in lies 90 ft to the south and 10 ft to the east of it; its neighbour's tie-in lies 90 ft to the east of that.
    press_at(page, 100, -90)
    expect(told.filter(has_text="Tie-in of 5 Mock")).to_be_visible()
    expect(told.filter(has_text="Open its page")).to_have_count(0)
    # Sooner it would be a double click, wherever it is; a reader's hand takes longer than this on its way.
    page.wait_for_timeout(400)
    press_at(page, 50, -90)
    expect(told.filter(has_text="Main M-")).to_contain_text(
        "8 in vitrified clay, laid: 1951, depth to invert: 9 ft"
    )
    watched.assert_clean()


def test_parts_of_the_drawing_can_be_left_out_and_the_link_keeps_that(
    made_up_server: Server, watch: Watch
) -> None:
    watched = watch(made_up_server)
    page = watched.open("page=map&lot=L00004")
    page.get_by_label("tie-ins").uncheck()
    page.get_by_label("mains").uncheck()
    expect(page).to_have_url(re.compile("hide=mains%2Ctie-ins|hide=mains,tie-ins"))
    press_at(page, 100, -90)
    # Below the tie-in that is not drawn lies the lot.
    expect(
        page.get_by_role("status").filter(has_text="5 Mock").filter(has_text="Open its page")
    ).to_be_visible()
    again = watch(made_up_server)
    again.page.goto(page.url)
    expect(again.page.get_by_label("tie-ins")).not_to_be_checked()
    expect(again.page.get_by_label("manholes")).to_be_checked()
    watched.assert_clean()
    again.assert_clean()


def test_a_bar_and_its_twin_choose_the_lots_of_map_and_table(made_up_server: Server, watch: Watch) -> None:
    watched = watch(made_up_server)
    page = watched.open("page=map")
    chances = lots()["failure_probability"]
    expect(drawn(page)).to_have_text(f"{lots().height}")
    page.locator(".role-mark path").nth(1).click()
    wanted = ((chances >= 0.1) & (chances < 0.25)).sum()
    expect(drawn(page)).to_have_text(f"{wanted}")
    expect(page.get_by_label("Only lots with", exact=True)).to_have_value("10 to 25 %")
    expect(page).to_have_url(re.compile("chance=1"))
    highest = lots().filter(chances < 0.25).sort("failure_probability", descending=True)["address"][0]
    expect(page.get_by_label("In this window").get_by_role("row").nth(1)).to_contain_text(highest)
    page.get_by_label("Only lots with", exact=True).select_option(label="75 % or more")
    expect(drawn(page)).to_have_text(f"{(chances >= 0.75).sum()}")
    page.get_by_label("Only lots with", exact=True).select_option(label="any chance")
    expect(drawn(page)).to_have_text(f"{lots().height}")
    watched.assert_clean()


def test_a_row_of_the_table_is_marked_on_the_map_by_keyboard(made_up_server: Server, watch: Watch) -> None:
    watched = watch(made_up_server)
    page = watched.open("page=map")
    third = page.get_by_role("row").nth(3)
    address = third.get_by_role("link").inner_text()
    third.get_by_role("button").focus()
    page.keyboard.press("Enter")
    expect(page.get_by_role("status").filter(has_text=address).first).to_be_visible()
    # What is marked leads the table, and its button says so and keeps the keyboard.
    expect(page.get_by_role("row").nth(1)).to_contain_text(address)
    button = page.get_by_role("row").nth(1).get_by_role("button")
    expect(button).to_have_attribute("aria-pressed", "true")
    expect(button).to_be_focused()
    expect(page).to_have_url(re.compile("lot=L"))
    watched.assert_clean()


def test_a_tie_in_leads_to_its_row_and_the_row_back_to_the_map(
    town: Path, town_server: Server, watch: Watch
) -> None:
    # One of the least: it would not be among the first rows unless it were asked for.
    with open_current(Workspace(town)) as reader:
        lot = reader.query(
            "SELECT lot_id FROM connection_parts ORDER BY risk_rank DESC, lot_id LIMIT 1"
        ).item()
    watched = watch(town_server)
    page = watched.open(f"page=map&lot={lot}")
    page.get_by_role("link", name="Its place among the connections").click()
    table = page.get_by_role("table", name=re.compile("^Connections by the"))
    expect(table.get_by_role("row").nth(1)).to_contain_text(lot)
    table.get_by_role("link", name=f"Lot {lot} on the map").click()
    expect(page.get_by_role("status").filter(has_text="Tie-in of")).to_be_visible()
    watched.assert_clean()


def test_filters_of_the_map_go_along_to_the_connections(town_server: Server, watch: Watch) -> None:
    watched = watch(town_server)
    page = watched.open("page=map&material=cast_iron")
    page.get_by_role("link", name="Which connections first", exact=True).click()
    expect(page.get_by_text("Shown: cast iron.")).to_be_attached()
    expect(page).to_have_url(re.compile("material=cast_iron"))
    table = page.get_by_role("table", name=re.compile("^Connections by the"))
    expect(table).to_be_visible()
    everything = watch(town_server).open("page=connections")
    whole = everything.get_by_role("table", name=re.compile("^Connections by the"))
    expect(whole).to_be_visible()
    assert table.get_attribute("aria-label") != whole.get_attribute("aria-label")
    watched.assert_clean()
