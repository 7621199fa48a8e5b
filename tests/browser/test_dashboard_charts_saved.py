"""Charts that can be taken away: PNG, SVG and CSV without a network, each with its source."""

from __future__ import annotations

import csv
import re
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest
from playwright.sync_api import Page, expect

from dashboards import downloads
from tests.browser import made_up
from tests.browser.conftest import Server, Watched

Watch = Callable[..., Watched]


def save(page: Page, name: str, folder: Path, which: int = 0) -> Path:
    links = ".vega-actions a" if name in {"PNG", "SVG"} else ".bk-btn"
    link = page.locator(links).filter(has_text=name).nth(which)
    link.focus()
    with page.expect_download() as saved:
        page.keyboard.press("Enter")
    file = folder / saved.value.suggested_filename
    saved.value.save_as(file)
    return file


@pytest.mark.browser
def test_a_chart_is_saved_by_keyboard_as_picture_drawing_and_table(
    made_up_server: Server, watch: Watch, tmp_path: Path
) -> None:
    watched = watch(made_up_server)
    page = watched.open("page=age&outcome=structural&material=vitrified_clay")
    page.locator(".vega-embed svg").first.wait_for()
    picture = save(page, "PNG", tmp_path)
    assert picture.read_bytes().startswith(b"\x89PNG")
    drawing = save(page, "SVG", tmp_path).read_text(encoding="utf-8")
    assert "Mockford, an invented town · run made-up · built 30 Jun 2026" in drawing
    table = save(page, "CSV", tmp_path)
    assert table.name == "underlot_curve_structural_vitrified_clay.csv"
    with table.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    published = made_up.frames()["curves"].filter(outcome="structural", material="vitrified_clay")
    shown = published.filter(pl.col("age_years") <= 90)
    assert [float(row["age_years"]) for row in rows] == shown["age_years"].to_list()
    assert float(rows[10]["failure_probability"]) == pytest.approx(shown["failure_probability"][10])
    watched.assert_clean()


@pytest.mark.browser
def test_looks_are_narrowed_down_and_get_a_curve_of_their_own(made_up_server: Server, watch: Watch) -> None:
    watched = watch(made_up_server)
    page = watched.open("page=age&outcome=any&material=vitrified_clay&purpose=routine")
    groups = made_up.frames()["look_groups"].filter(material="vitrified_clay", purpose="routine")
    looks, bad = groups["n_looks_any"].sum(), groups["n_bad_any"].sum()
    expect(
        page.get_by_text(f"of those asked for: {looks:,}, of them {bad:,} with", exact=False)
    ).to_be_visible()
    expect(page.get_by_text("Nonparametric curve of these looks alone", exact=False)).to_be_visible()
    watched.assert_clean()


@pytest.mark.browser
def test_other_rows_in_a_standing_drawing_look_as_if_drawn_anew(
    made_up_server: Server, watch: Watch, tmp_path: Path
) -> None:
    query = "page=age&outcome=any&material=vitrified_clay&purpose=routine"
    page = watch(made_up_server).open(query)
    anew = watch(made_up_server).open(f"{query},backup")
    for which in (1, 2):  # the chosen looks' curve and their bars; the first drawing is the build's
        drawing = page.locator(".vega-embed svg").nth(which)
        frame = page.locator(".vega-embed [role='graphics-document']").nth(which)
        drawing.evaluate("svg => { svg.is_first = true; }")
        before = as_drawn(save(page, "SVG", tmp_path, which))
        words = frame.get_attribute("aria-label")
        assert words is not None, "a screen reader has to be told"
        page.get_by_role("checkbox", name="backup", exact=True).check()
        expect(frame).not_to_have_attribute("aria-label", words)
        after = as_drawn(save(page, "SVG", tmp_path, which))
        assert after != before
        assert after == as_drawn(save(anew, "SVG", tmp_path, which))
        assert drawing.evaluate("svg => svg.is_first === true")
        expect(page.get_by_text("<p", exact=False)).to_have_count(0)
        page.get_by_role("checkbox", name="backup", exact=True).uncheck()
        expect(frame).to_have_attribute("aria-label", words)


@pytest.mark.browser
def test_maps_of_fewer_areas_look_as_if_drawn_anew(
    made_up_server: Server, watch: Watch, tmp_path: Path
) -> None:
    watched, other = watch(made_up_server), watch(made_up_server)
    page = watched.open("page=where&areas=subdivisions")
    anew = other.open("page=where&areas=subdivisions&subdivision=Mock Acres 2")
    for which in (0, 1):
        drawing = page.locator(".vega-embed svg").nth(which)
        drawing.evaluate("svg => { svg.is_first = true; }")
        before = as_drawn(save(page, "SVG", tmp_path, which))
        page.get_by_label("Subdivision", exact=True).select_option(label="Mock Acres 2")
        expect(drawing.locator("path[aria-label^='subdivision: ']")).to_have_count(1)
        after = as_drawn(save(page, "SVG", tmp_path, which))
        assert after != before
        assert after == as_drawn(save(anew, "SVG", tmp_path, which))
        assert drawing.evaluate("svg => svg.is_first === true")
        page.get_by_role("button", name="Clear the filters").click()
        expect(drawing.locator("path[aria-label^='subdivision: ']")).not_to_have_count(1)
    watched.assert_clean()
    other.assert_clean()


def as_drawn(file: Path) -> str:
    """A saved drawing without the numbers of its clips, which count the drawings of a page."""
    return re.sub(r"clip\d+", "clip", file.read_text(encoding="utf-8"))


def test_rows_of_a_specification_are_those_of_its_largest_set() -> None:
    spec = {"datasets": {"a": [{"x": 1}], "b": [{"x": 2}, {"x": 3}]}}
    assert downloads.rows_of(spec)["x"].to_list() == [2, 3]
    shapes = {"data": {"values": [{"type": "Feature", "geometry": {}, "properties": {"block": "B1"}}]}}
    assert downloads.rows_of(shapes).to_dicts() == [{"block": "B1"}]
