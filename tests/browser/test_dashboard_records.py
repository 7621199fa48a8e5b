"""From a dropped file to new numbers: proposal, mending in place, loading, building, and what changed."""

from __future__ import annotations

import os
import re
import shutil
import time
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest
import xlsxwriter
from playwright.sync_api import Page, expect

from pipeline.settings import Workspace
from pipeline.warehouse import open_warehouse
from tests.browser import made_up
from tests.browser.conftest import WIDTHS, Server, Watched, running_server

pytestmark = pytest.mark.browser

Watch = Callable[..., Watched]
#: `conftest.SERVE` on a machine so busy that what became of a field reaches its thread half a second late.
SERVE_LATE = (
    "-c",
    "import sys, time; from pathlib import Path; from panel.reactive import Syncable; from dashboards.serve import serve; "
    "soon = Syncable._change_event; Syncable._change_event = lambda *given: (time.sleep(0.5), soon(*given))[1]; "
    "serve(Path(sys.argv[1]), port=int(sys.argv[2]), open_browser=False)",
    "{workspace}",
    "{port}",
)
#: The desk is a process of its own, which a busy machine may start slowly [ms].
DESK_MS = 60_000

#: Six jobs as an inspector may keep them; rows 4 to 7 have one fault each, and one header is not found by itself.
JOBS = """\
Address,Date of job,Yr built,Pipe,Length (ft),Result,Crew
1 Trial Street,3/14/2024,1951,clay,55,Repair,A
2 Trial Street,3/15/2024,1949,VCP,60,Good,A
3 Trial Street,13/45/2024,1952,clay,48,Repair,B
4 Trial Street,3/17/2024,1950,CIP,48,Good,B
5 Trial Street,3/18/2024,1950,rags,48,Good,B
6 Trial Street,3/19/2031,1960,cast iron,50,Good,B
"""


@pytest.fixture
def jobs(tmp_path: Path) -> Path:
    file = tmp_path / "jobs of a week.csv"
    file.write_text(JOBS, encoding="utf-8")
    return file


@pytest.fixture
def own_server(tmp_path: Path):
    made_up.publish(tmp_path / "work")
    with running_server(tmp_path / "work", tmp_path / "server.log") as server:
        yield server


def drop(page: Page, file: Path) -> None:
    page.locator("input[type=file]").first.set_input_files(file)


def take_for(page: Page, header: str, column: str) -> None:
    select = page.get_by_label(header)
    labels = select.locator("option").all_inner_texts()
    select.select_option(label=next(label for label in labels if label.startswith(column)))


def figure(page: Page, words: str):
    return page.locator(".u-figure").filter(has_text=words).last.locator("b")


def load_the_jobs(page: Page, jobs: Path) -> None:
    drop(page, jobs)
    expect(
        page.get_by_text("No column was found for: inspection_date or age_years.", exact=False)
    ).to_be_visible(timeout=DESK_MS)
    expect(page.get_by_label("Pipe", exact=True)).to_have_value(re.compile("^material run: "))
    take_for(page, "Date of job", "inspection date")
    page.get_by_role("button", name="Check the rows").click()
    expect(figure(page, "cannot be taken yet")).to_have_text("4", timeout=DESK_MS)
    page.get_by_label("“CIP”", exact=False).select_option(label="cast iron")
    page.get_by_label("Row 4, Date of job").fill("3/16/2024")
    page.get_by_label("Row 4, Date of job").press("Tab")
    page.get_by_role("button", name="Check again").click()
    expect(figure(page, "cannot be taken yet")).to_have_text("2", timeout=DESK_MS)
    page.get_by_role("button", name="Load the 4 rows that can be taken").click()
    expect(page.get_by_role("heading", name="jobs of a week.csv is loaded")).to_be_visible(timeout=DESK_MS)


def test_a_dropped_file_is_mapped_mended_and_loaded(
    own_server: Server, watch: Watch, jobs: Path, tmp_path: Path
) -> None:
    watched = watch(own_server)
    page = watched.open("page=records")
    load_the_jobs(page, jobs)
    expect(figure(page, "not taken")).to_have_text("2")
    with open_warehouse(Workspace(tmp_path / "work"), read_only=True) as warehouse:
        lots = warehouse.frame("SELECT address FROM core.lots ORDER BY address")["address"].to_list()
        materials = dict(warehouse.frame("SELECT lot_id, material FROM core.segments").iter_rows())
        dates = warehouse.frame("SELECT inspection_date FROM core.inspections ORDER BY 1")["inspection_date"]
        rejected = warehouse.frame("SELECT source_row, reason_code FROM records.rejects ORDER BY 1").rows()
    assert lots == ["1 Trial Street", "2 Trial Street", "3 Trial Street", "4 Trial Street"]
    assert sorted(materials.values()) == ["cast_iron", "vitrified_clay", "vitrified_clay", "vitrified_clay"]
    assert [day.day for day in dates] == [14, 15, 16, 17]
    assert rejected == [(6, "unknown_material"), (7, "date_in_future")]
    assert jobs.read_text(encoding="utf-8") == JOBS
    assert list((tmp_path / "work" / "uploads").iterdir()) == []
    watched.assert_clean()


def test_a_click_right_after_a_field_was_changed_finds_what_was_put_there(
    watch: Watch, jobs: Path, tmp_path: Path
) -> None:
    made_up.publish(tmp_path / "work")
    with running_server(tmp_path / "work", tmp_path / "server.log", SERVE_LATE) as server:
        watched = watch(server)
        load_the_jobs(watched.open("page=records"), jobs)
        watched.assert_clean()


def test_no_button_moves_from_under_the_hand_when_a_field_is_changed(
    own_server: Server, watch: Watch, jobs: Path
) -> None:
    """A mouse button that goes down on one element and up on another is no click."""
    watched = watch(own_server)
    page = watched.open("page=records")
    drop(page, jobs)
    check = page.get_by_role("button", name="Check the rows")
    expect(check).to_be_visible(timeout=DESK_MS)
    offered = page.get_by_role("combobox", name="read as")
    n_offered, place = offered.count(), check.bounding_box()
    take_for(page, "Date of job", "inspection date")
    expect(offered).to_have_count(n_offered + 1)
    assert check.bounding_box() == place
    watched.assert_clean()


def test_long_words_and_fields_stay_in_their_places_on_a_telephone_too(
    own_server: Server, watch: Watch, tmp_path: Path
) -> None:
    long = "bad roots, and an offset that the owner was told of twice, repair"
    file = tmp_path / "jobs.csv"
    file.write_text(
        "Address,Date,Yr built,Length (ft),Result,Pipe\n"
        f'1 Trial Street,2024-03-14,1950\'s,55,"{long}",clay\n'
        "2 Trial Street,2024-03-15,1950's,60,Good,rags\n3 Trial Street,2024-03-16,1951,61,Good,clay\n"
        "4 Trial Street,2024-03-17,1952,62,Good,clay\n",
        encoding="utf-8",
    )
    watched = watch(own_server, "narrow")
    page = watched.open("page=records")
    drop(page, file)
    page.get_by_role("button", name="Check the rows").click(timeout=DESK_MS)
    expect(page.get_by_label("Rows 2, 3, Yr built")).to_be_visible(timeout=DESK_MS)
    assert page.evaluate("document.documentElement.scrollWidth - window.innerWidth") <= 0
    fields = [*page.get_by_role("combobox").all(), *page.get_by_role("textbox").all()]
    places = [box for field in fields if field.is_visible() and (box := field.bounding_box())]
    assert len(places) > len(fields) / 2
    assert max(box["x"] + box["width"] for box in places) <= WIDTHS["narrow"][0]
    label = page.locator("label").filter(has_text="bad roots").bounding_box()
    assert label["x"] + label["width"] <= WIDTHS["narrow"][0]
    # What is wrong alike in two rows is mended in both.
    page.get_by_label("Rows 2, 3, Yr built").fill("1950")
    page.get_by_label("Rows 2, 3, Yr built").press("Tab")
    page.get_by_role("button", name="Check again").click()
    expect(page.get_by_label("Rows 2, 3, Yr built")).to_have_count(0, timeout=DESK_MS)
    watched.assert_clean()


def test_a_double_click_loads_once_and_says_so(own_server: Server, watch: Watch, jobs: Path) -> None:
    watched = watch(own_server)
    page = watched.open("page=records")
    drop(page, jobs)
    expect(page.get_by_role("button", name="Check the rows")).to_be_visible(timeout=DESK_MS)
    take_for(page, "Date of job", "inspection date")
    page.get_by_role("button", name="Check the rows").click()
    page.get_by_role("button", name="Load the 2 rows that can be taken").dblclick(timeout=DESK_MS)
    expect(page.get_by_role("heading", name="jobs of a week.csv is loaded")).to_be_visible(timeout=DESK_MS)
    expect(page.get_by_role("progressbar")).to_have_count(0)
    # A second load would by now have found the file gone, or everything there already.
    page.wait_for_timeout(4_000)
    expect(page.get_by_role("heading", name="jobs of a week.csv is loaded")).to_be_visible()
    expect(page.locator(".u-error")).to_have_count(0)
    watched.assert_clean()


def test_each_sheet_of_a_workbook_can_be_loaded(own_server: Server, watch: Watch, tmp_path: Path) -> None:
    file = tmp_path / "jobs by year.xlsx"
    with xlsxwriter.Workbook(str(file)) as book:
        for year in ("2019", "2020"):
            sheet = book.add_worksheet(year)
            sheet.write_row(0, 0, ["Address", "Date", "Year built", "Pipe", "Length (ft)", "Result"])
            sheet.write_row(1, 0, [f"{year} Trial Street", f"{year}-03-14", 1950, "clay", 55, "Good"])
        book.add_worksheet("Prices").write_row(0, 0, ["thing", "$"])
    watched = watch(own_server)
    page = watched.open("page=records")
    drop(page, file)
    expect(page.get_by_text("Sheet '2019' is read. Not read: '2020', 'Prices'.", exact=False)).to_be_visible(
        timeout=DESK_MS
    )
    # A sheet that holds no records leaves the choice, and what stands below it, as they were.
    page.get_by_label("Sheet", exact=True).select_option(label="Prices")
    expect(page.get_by_role("alert")).to_be_visible(timeout=DESK_MS)
    expect(page.get_by_label("Sheet", exact=True)).to_have_value("2019")
    for year in ("2019", "2020"):
        page.get_by_role("button", name="Check the rows").click()
        page.get_by_role("button", name="Load the 1 row that can be taken").click(timeout=DESK_MS)
        expect(page.get_by_role("heading", name="jobs by year.xlsx is loaded")).to_be_visible(timeout=DESK_MS)
        if year == "2019":
            page.get_by_role("button", name="Go on with sheet “2020”").click()
            expect(page.get_by_label("Sheet", exact=True)).to_have_value("2020", timeout=DESK_MS)
    with open_warehouse(Workspace(tmp_path / "work"), read_only=True) as warehouse:
        sheets = warehouse.frame("SELECT sheet FROM records.loads ORDER BY 1")["sheet"].to_list()
    assert sheets == ["2019", "2020"]
    watched.assert_clean()


def test_another_kind_of_file_and_an_unreadable_one_are_told(
    own_server: Server, watch: Watch, tmp_path: Path
) -> None:
    watched = watch(own_server)
    page = watched.open("page=records")
    for name, content, words in (
        ("report.csv", b"%PDF-1.7 not a table", "its name says a text table, but it is a PDF."),
        ("words.csv", b"some,words\n1,2\n", "no header looks like a column of any layout"),
    ):
        file = tmp_path / name
        file.write_bytes(content)
        drop(page, file)
        expect(page.get_by_role("alert").filter(has_text=words)).to_be_visible(timeout=DESK_MS)
        page.reload()
        page.locator("h1").wait_for()
    assert watched.faults == []
    assert watched.outside == []


def test_what_the_last_build_changed_stands_on_the_page(made_up_server: Server, watch: Watch) -> None:
    watched = watch(made_up_server)
    page = watched.open("page=records")
    expect(
        page.get_by_text("Compared with run older-run, built 30 May 2026. 1 number of 3 did not change.")
    ).to_be_visible()
    row = page.get_by_role("row").filter(has_text="half of cast iron failed by [years]")
    expect(row.get_by_role("cell").nth(2)).to_have_text("55")
    expect(row.get_by_role("cell").nth(3)).to_have_text("52")
    expect(page.get_by_role("row").filter(has_text="4 Mock Lane").get_by_role("link")).to_be_visible()
    watched.assert_clean()


@pytest.mark.slow
def test_from_a_dropped_file_to_changed_numbers_while_others_go_on(
    town: Path, tmp_path: Path, watch: Watch, jobs: Path
) -> None:
    workspace = tmp_path / "town"
    shutil.copytree(town, workspace)
    with running_server(workspace, tmp_path / "server.log") as server:
        watched, other = watch(server), watch(server)
        page = watched.open("page=records")
        load_the_jobs(page, jobs)
        page.get_by_role("button", name="Build the numbers again").first.click()
        expect(page.get_by_role("progressbar")).to_be_visible()
        # Somebody else's page answers while this one builds.
        elsewhere = other.open("page=age")
        elsewhere.get_by_label("What counts as failed").select_option(label="Structural")
        expect(elsewhere.get_by_text("Failed means: repair-grade crack", exact=False)).to_be_visible(
            timeout=20_000
        )
        expect(page.get_by_role("progressbar")).to_be_visible()
        page.get_by_role("link", name="See what changed").click(timeout=600_000)
        lots = page.get_by_role("row").filter(has_text="lots on record")
        expect(lots).to_be_visible(timeout=20_000)
        before, after = (
            int(cell.replace(",", "")) for cell in lots.get_by_role("cell").all_inner_texts()[2:4]
        )
        assert after == before + 4
        row = page.get_by_role("row").filter(has_text="faults in rows that were not taken")
        expect(row.get_by_role("cell").nth(3)).to_have_text("2")
        page.get_by_role("button", name="Mend them here").click()
        expect(page.get_by_label("“rags”", exact=False)).to_be_visible(timeout=30_000)
        watched.assert_clean()
        other.assert_clean()


def test_only_the_owner_can_read_uploads(
    own_server: Server, watch: Watch, jobs: Path, tmp_path: Path
) -> None:
    page = watch(own_server).open("page=records")
    drop(page, jobs)
    expect(page.get_by_text("Each of your columns", exact=False)).to_be_visible(timeout=DESK_MS)
    folders = list((tmp_path / "work" / "uploads").iterdir())
    assert [folder.stat().st_mode & 0o077 for folder in folders] == [0]
    assert os.listdir(folders[0]) == ["jobs of a week.csv"]
    assert pl.read_csv(folders[0] / "jobs of a week.csv").height == 6


def test_what_was_dropped_and_not_loaded_goes_with_the_page(
    own_server: Server, watch: Watch, jobs: Path, tmp_path: Path
) -> None:
    watched = watch(own_server)
    page = watched.open("page=records")
    drop(page, jobs)
    expect(page.get_by_text("Each of your columns", exact=False)).to_be_visible(timeout=DESK_MS)
    uploads = tmp_path / "work" / "uploads"
    assert len(list(uploads.iterdir())) == 1
    page.close()
    # The server keeps a session for a while, in case the reader comes back.
    until = time.monotonic() + 60
    while list(uploads.iterdir()) and time.monotonic() < until:
        time.sleep(0.5)
    assert list(uploads.iterdir()) == []
