"""Filters from page to page: what they narrow down, what they say they don't, and what no account gets by them."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from playwright.sync_api import Locator, Page, expect

from dashboards import wording
from models.npmle import NPMLE
from pipeline.accounts import Accounts
from pipeline.published.chosen_areas import chosen_areas
from pipeline.published.chosen_curves import chosen_curves
from pipeline.published.read import open_current
from pipeline.settings import Workspace
from tests.browser import made_up
from tests.browser.conftest import WIDTHS, Server, Watched, running_server
from tests.browser.test_dashboard_access import PASSWORD, sign_in
from tests.browser.test_dashboard_accessibility import findings
from tests.browser.test_dashboard_charts_saved import save
from tests.browser.test_dashboard_pages import areas_table

pytestmark = pytest.mark.browser

Watch = Callable[..., Watched]
OWN_CURVE = "Nonparametric curve of these looks alone"


@pytest.fixture(scope="module")
def guarded(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    folder = tmp_path_factory.mktemp("narrowed")
    made_up.publish(folder)
    accounts = Accounts(Workspace(folder))
    accounts.add("agent", role="portfolio", portfolios=("M2",), password=PASSWORD)
    accounts.add("engineer", role="blocks", portfolios=(), password=PASSWORD)
    with running_server(folder, folder / "server.log") as server:
        yield server


def looks(outcome: str, material: str, **asked: object) -> pl.DataFrame:
    """Made-up looks that can be judged, with `is_bad`."""
    histories = made_up.frames()["look_histories"].filter(material=material, **asked)
    return histories.with_columns(is_bad=pl.col(f"is_bad_{outcome}")).drop_nulls("is_bad")


def box(page: Page, name: str) -> Locator:
    return page.get_by_role("checkbox", name=name, exact=True)


def unfold(page: Page, words: str) -> None:
    page.get_by_text(words, exact=True).click()


def figure(page: Page, words: str) -> Locator:
    return page.locator(".u-figure").filter(has_text=words).first.locator("b")


def test_a_filter_draws_the_curve_of_the_chosen_looks_beside_that_of_the_build(
    made_up_server: Server, watch: Watch, tmp_path: Path
) -> None:
    watched = watch(made_up_server)
    page = watched.open("page=age&outcome=any&material=vitrified_clay")
    expect(page.locator(".vega-embed")).to_have_count(2)  # the build's curve and its looks
    expect(page.get_by_text(OWN_CURVE, exact=False)).to_have_count(0)
    unfold(page, "Time laid, reason for the look")
    box(page, "routine").check()
    expect(page.locator(".vega-embed")).to_have_count(3)
    chosen = looks("any", "vitrified_clay", purpose="routine")
    n, bad = chosen["n_looks"].sum(), chosen.filter("is_bad")["n_looks"].sum()
    expect(page.get_by_text(f"{n} looks at {n} pipes", exact=False)).to_contain_text(
        f"{bad} of these pipes seen failed"
    )
    expect(page).to_have_url(
        f"{made_up_server.address}/?page=age&outcome=any&material=vitrified_clay&purpose=routine"
    )

    second = page.get_by_role("button", name="save as CSV").nth(1)
    second.focus()
    with page.expect_download() as saved:
        page.keyboard.press("Enter")
    assert saved.value.suggested_filename == "underlot_asked_any_vitrified_clay.csv"
    saved.value.save_as(tmp_path / "asked.csv")
    with (tmp_path / "asked.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    age, is_bad = chosen["age_years"].to_numpy(), chosen["is_bad"].to_numpy()
    curve = NPMLE().fit(np.where(is_bad, 0, age), np.where(is_bad, age, np.inf), chosen["n_looks"].to_numpy())
    lower, _ = curve.cdf([float(row["age_years"]) for row in rows])
    np.testing.assert_allclose([float(row["undetermined_from"]) for row in rows], lower, atol=1e-9)
    assert rows[0]["looks_asked_for"] == "Shown: routine."
    assert (int(rows[0]["n_looks"]), int(rows[0]["n_bad"])) == (n, bad)

    page.get_by_role("button", name="Clear the filters").click()
    expect(page.get_by_text(OWN_CURVE, exact=False)).to_have_count(0)
    expect(page.locator(".vega-embed")).to_have_count(2)
    watched.assert_clean()


def test_another_choice_is_drawn_in_the_place_of_the_one_before(made_up_server: Server, watch: Watch) -> None:
    watched = watch(made_up_server)
    page = watched.open("page=age&outcome=any&material=vitrified_clay&to=2015")
    for year, asked in (("2015", {"look_year": 2015}), ("any year", {})):
        page.get_by_label("Looked at to").select_option(label=year)
        page.get_by_label("Looked at from").select_option(label="2015")
        chosen = looks("any", "vitrified_clay", is_selected=False, **asked)
        expect(page.get_by_text(OWN_CURVE, exact=False)).to_contain_text(
            f"{chosen['n_looks'].sum():,} looks at"
        )
        expect(page.locator(".vega-embed")).to_have_count(3)
    watched.assert_clean()


def test_looks_made_because_something_was_wrong_are_drawn_with_a_warning(
    made_up_server: Server, watch: Watch
) -> None:
    watched = watch(made_up_server)
    page = watched.open("page=age&outcome=any&material=vitrified_clay&purpose=backup")
    note = page.get_by_role("note").filter(has_text="over-represent failing lines")
    expect(note).to_contain_text("All of these looks were made because something was already wrong")
    n = looks("any", "vitrified_clay", purpose="backup")["n_looks"].sum()
    expect(page.get_by_text(OWN_CURVE, exact=False)).to_contain_text(f"{n} looks at")
    box(page, "routine").check()
    both = n + looks("any", "vitrified_clay", purpose="routine")["n_looks"].sum()
    expect(note).to_contain_text(f"{n} of these {both:,} looks were made because")
    box(page, "backup").uncheck()
    expect(note).to_have_count(0)
    watched.assert_clean()


def test_too_few_chosen_looks_draw_no_line_and_say_so(made_up_server: Server, watch: Watch) -> None:
    tables = made_up.frames()["look_histories"]
    assert tables.filter(subdivision="Mock Acres 4").is_empty()
    watched = watch(made_up_server)
    page = watched.open("page=age&outcome=any&material=vitrified_clay&subdivision=Mock Acres 4")
    expect(page.get_by_text("No look at this material is among those asked for.")).to_be_visible()
    expect(page.locator(".vega-embed")).to_have_count(1)
    watched.assert_clean()


def test_a_choice_below_the_least_number_of_records_is_refused(tmp_path: Path, watch: Watch) -> None:
    tables = made_up.frames()
    made_up.publish(tmp_path, tables | {"run": tables["run"].with_columns(min_lives=100_000)})
    with running_server(tmp_path, tmp_path / "server.log") as server:
        watched = watch(server)
        page = watched.open("page=age&outcome=any&material=vitrified_clay&purpose=routine")
        refusal = page.get_by_text("No curve of these looks. Too few records:", exact=False)
        expect(refusal).to_contain_text("a curve needs 100000 lives and 5 failures")
        expect(page.get_by_text(OWN_CURVE, exact=False)).to_have_count(0)
        watched.assert_clean()


def test_filters_go_from_page_to_page_and_each_says_what_it_obeys(
    made_up_server: Server, watch: Watch
) -> None:
    watched = watch(made_up_server)
    page = watched.open("page=age&outcome=any&material=vitrified_clay")
    page.get_by_label("Subdivision").select_option(label="Mock Acres 2")
    page.get_by_label("Looked at from").select_option(label="2015")
    page.wait_for_url("**from=2015**")
    page.get_by_role("link", name="Where they fail").click()
    page.get_by_role("heading", name="Where they fail", level=1).wait_for()
    expect(page.get_by_label("Subdivision")).to_have_value("Mock Acres 2")
    expect(page.get_by_label("Looked at from")).to_have_value("2015")
    expect(box(page, "vitrified clay")).to_be_checked()
    expect(areas_table(page).get_by_role("row").nth(1)).to_be_visible()
    page.get_by_role("link", name="How far to trust it").click()
    page.get_by_role("heading", name="How far to trust it", level=1).wait_for()
    page.get_by_role("link", name="How pipes age").click()
    page.get_by_role("heading", name="How pipes age", level=1).wait_for()
    expect(page.get_by_label("Subdivision")).to_have_value("Mock Acres 2")
    expect(page.get_by_label("Looked at from")).to_have_value("2015")
    watched.assert_clean()


def test_areas_are_counted_over_the_chosen_lots_and_withheld_where_few(
    made_up_server: Server, watch: Watch
) -> None:
    watched = watch(made_up_server)
    page = watched.open("page=where&areas=subdivisions")
    expect(page.get_by_text("fewer than 10 of the chosen lots were inspected", exact=False)).to_be_visible()
    page.get_by_label("Portfolio").select_option(label="M2")
    # Twelve lots of M2, all in Mock Acres 2, each with a newest look that found something.
    ours = made_up.frames()["lots"].filter(portfolio="M2")
    assert ours["subdivision"].unique().to_list() == ["Mock Acres 2"]
    expect(figure(page, "of these with a finding")).to_have_text(f"{ours.height}")
    cells = areas_table(page).get_by_role("row").nth(1).get_by_role("cell")
    expect(cells.nth(0)).to_have_text("Mock Acres 2")
    assert cells.all_inner_texts()[1:5] == ["12", "12", "12", f"{12 * 0.35:.1f}"]
    # Two of them to a block or fewer: no block is told of.
    page.get_by_label("Areas").select_option(label="blocks")
    expect(page.get_by_text(wording.none_told(10, "block"))).to_be_visible()
    cells = areas_table(page).get_by_role("row").nth(1).get_by_role("cell")
    expect(cells.last).to_have_text("too few records")
    assert cells.all_inner_texts()[3:8] == ["–"] * 5
    page.get_by_role("button", name="Clear the filters").click()
    n_blocks = made_up.frames()["blocks"].height
    expect(figure(page, "blocks")).to_have_text(f"{n_blocks}")
    watched.assert_clean()


def test_a_choice_without_a_lot_or_a_look_says_so(made_up_server: Server, watch: Watch) -> None:
    watched = watch(made_up_server)
    page = watched.open("page=where&areas=subdivisions&purpose=backup")
    expect(page.get_by_text(wording.none_told(10, "subdivision"))).to_be_visible()
    page = watched.open("page=where&areas=subdivisions&portfolio=M2&subdivision=Mock Acres 1")
    expect(page.get_by_text(wording.NO_LOT_ASKED_FOR)).to_be_visible()
    expect(page.locator(".vega-embed")).to_have_count(0)
    watched.assert_clean()


def test_hot_spots_stay_those_of_the_build_and_a_subdivision_chooses_among_them(
    made_up_server: Server, watch: Watch
) -> None:
    watched = watch(made_up_server)
    page = watched.open("page=where")
    zones = page.get_by_role("table", name="Zones with more failures").get_by_role("row")
    expect(zones).to_have_count(3)
    expect(page.get_by_text(wording.SEARCH_OF_ALL, exact=False)).to_be_visible()
    page.get_by_label("Subdivision").select_option(label="Mock Acres 2")
    expect(zones).to_have_count(2)
    expect(zones.nth(1).get_by_role("cell").first).to_have_text("2")
    page.get_by_label("Subdivision").select_option(label="Mock Acres 3")
    expect(page.get_by_text("No zone of this search has an inspected lot in Mock Acres 3.")).to_be_visible()
    watched.assert_clean()


def test_the_trust_page_says_which_filters_it_cannot_obey(
    town: Path, town_server: Server, watch: Watch
) -> None:
    with open_current(town) as reader:
        kinds = reader.query(
            "SELECT material FROM validation_scores WHERE material <> 'all' GROUP BY 1 ORDER BY max(n_looks) DESC"
        )["material"].to_list()
    watched = watch(town_server)
    page = watched.open(f"page=trust&material={kinds[0]}")
    expect(page.get_by_label("Material")).to_have_value(wording.material(kinds[0]))
    expect(page.get_by_text(wording.TRUST_FILTERS)).to_be_visible()
    expect(page.get_by_text("not obeyed here", exact=False)).to_have_count(0)
    page = watched.open(f"page=trust&material={kinds[0]},{kinds[1]}&era=1940_1957&from=2015")
    expect(page.get_by_label("Material")).to_have_value(wording.ALL_MATERIALS)
    note = page.get_by_role("note").filter(has_text="not obeyed here")
    expect(note).to_contain_text(
        f"{wording.material(kinds[0])} or {wording.material(kinds[1])}, time laid, first year"
    )
    watched.assert_clean()


def test_an_account_of_a_portfolio_draws_its_own_lots_only(guarded: Server, watch: Watch) -> None:
    watched = watch(guarded)
    sign_in(watched, "agent", "page=age&outcome=any&material=vitrified_clay&purpose=backup")
    page = watched.page
    expect(page.get_by_text(wording.OWN_LOTS_ONLY, exact=False)).to_be_visible()
    # All looks after a backup belong to M2, and no others do.
    n = looks("any", "vitrified_clay", purpose="backup")["n_looks"].sum()
    expect(page.get_by_text(OWN_CURVE, exact=False)).to_contain_text(f"{n} looks at")
    page.goto(f"{guarded.address}/?page=age&outcome=any&material=vitrified_clay&to=2015")
    expect(page.get_by_text("No look at this material is among those asked for.")).to_be_visible()
    page.goto(f"{guarded.address}/?page=where&areas=subdivisions&to=2024")
    expect(page.get_by_text(wording.OWN_LOTS_ONLY, exact=False)).to_be_visible()
    expect(areas_table(page).get_by_role("row").nth(1).get_by_role("cell").nth(2)).to_have_text("12")
    expect(areas_table(page).get_by_role("row")).to_have_count(2)
    watched.assert_clean()


def test_an_account_for_areas_is_offered_no_filter_that_takes_single_lots(
    guarded: Server, watch: Watch
) -> None:
    watched = watch(guarded)
    sign_in(watched, "engineer", "page=age&subdivision=Mock Acres 1&purpose=routine")
    page = watched.page
    expect(page.get_by_text(wording.NOT_NARROWED_HERE)).to_be_visible()
    expect(page.get_by_text(OWN_CURVE, exact=False)).to_have_count(0)
    expect(page.get_by_label("Subdivision")).to_have_count(0)
    page.goto(f"{guarded.address}/?page=where&material=vitrified_clay")
    expect(page.get_by_text(wording.AREAS_NOT_NARROWED)).to_be_visible()
    expect(page.get_by_label("Subdivision")).to_be_visible()
    expect(page.get_by_role("checkbox")).to_have_count(0)
    told = made_up.frames()["blocks"].filter(status="ok").height
    expect(figure(page, "blocks")).to_have_text(f"{told}")
    watched.assert_clean()


def test_nothing_left_out_gives_the_published_curves_and_areas_of_the_town(town: Path) -> None:
    with open_current(town) as reader:
        groups = reader.table("curve_groups")
        for outcome in groups["outcome"].unique():
            here = groups.filter(outcome=outcome)
            found = chosen_curves(reader, outcome, here["material"].to_list(), "NOT is_selected", [])
            for group in here.iter_rows(named=True):
                ours = found[group["material"]]
                assert (ours.n_lives, ours.n_looks, ours.n_bad) == (
                    group["n_lives"],
                    group["n_looks"],
                    group["n_bad"],
                )
                assert (ours.status, ours.sentence) == (group["status"], group["sentence"])
                curve = reader.table("curves").filter(outcome=outcome, material=group["material"])
                if ours.drawn is not None:
                    for end in ("undetermined_from", "undetermined_to"):
                        np.testing.assert_allclose(ours.drawn.curve[end], curve[end], atol=1e-12)
        for area, table in (("block", "blocks"), ("subdivision", "subdivisions")):
            published = reader.table(table).filter(pl.col("n_inspected") >= 10)
            counted = chosen_areas(reader, area, ("true", []), ("true", [])).drop_nulls("n_inspected")
            assert counted[area].to_list() == published[area].to_list()
            for column in (
                "n_lots",
                "n_inspected",
                "n_observed",
                "expected",
                "expected_lower",
                "expected_upper",
            ):
                np.testing.assert_allclose(counted[column], published[column], atol=1e-8, err_msg=column)


def test_the_look_that_counts_for_an_area_is_a_fair_one_on_record(town: Path) -> None:
    with open_current(town) as reader:
        counted = reader.table("lot_expectations").filter(pl.col("look_year").is_not_null())
        fair = reader.query(
            "SELECT lot_id, purpose, year(inspection_date)::BIGINT AS look_year FROM lot_inspections WHERE NOT is_selected"
        )
    assert counted.height > 100
    assert counted.join(fair, on=["lot_id", "purpose", "look_year"], how="anti", nulls_equal=True).is_empty()


NARROWED = {
    "age": "page=age&material=vitrified_clay,pvc&purpose=routine,backup",
    "where": "page=where&areas=subdivisions&material=vitrified_clay&from=2015",
    "trust": "page=trust&era=1940_1957",
}


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("view", NARROWED)
def test_narrowed_pages_are_sound_at_both_widths(
    town_server: Server, watch: Watch, view: str, width: str
) -> None:
    watched = watch(town_server, width)
    page = watched.open(NARROWED[view])
    page.wait_for_load_state("networkidle")
    expect(page.locator(".vega-embed").first.locator("svg path, canvas").first).to_be_attached()
    page.wait_for_timeout(500)
    assert findings(page) == []
    assert page.evaluate("document.documentElement.scrollWidth - window.innerWidth") <= 0
    expect(page.locator(".u-error")).to_have_count(0)
    watched.assert_clean()


def test_a_narrowed_curve_is_saved_as_picture_with_its_source(
    made_up_server: Server, watch: Watch, tmp_path: Path
) -> None:
    watched = watch(made_up_server)
    page = watched.open("page=age&outcome=any&material=lead&purpose=routine")
    expect(page.get_by_text(OWN_CURVE, exact=False)).to_be_visible()
    page.locator(".vega-embed svg").first.wait_for()
    # Lead has no curve of the build, so the first picture is that of the chosen looks.
    drawing = save(page, "SVG", tmp_path)
    assert drawing.name == "underlot_asked_any_lead.svg"
    assert "Mockford, an invented town · run made-up" in drawing.read_text(encoding="utf-8")
    watched.assert_clean()
