"""The map in a browser: its window, its filters, its clicks, its twins for the keyboard, and its links."""

from __future__ import annotations

import re
from collections.abc import Callable

import polars as pl
import pytest
from playwright.sync_api import Page, expect

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
    expect(page.get_by_role("status").filter(has_text="4 Mock")).to_be_visible()
    canvas = page.locator("canvas").first
    canvas.scroll_into_view_if_needed()
    box = canvas.bounding_box()
    assert box is not None
    # The lot is in the middle of a window 1,200 ft wide; the next one lies 90 ft to the east.
    page.mouse.click(box["x"] + box["width"] * (0.5 + 90 / 1200), box["y"] + box["height"] / 2)
    expect(page.get_by_role("status").filter(has_text="5 Mock")).to_be_visible()
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
