"""The pieces behind the records page: mended cells, stage times, what a build changed, counts to be added up."""

import asyncio
import io
import json
import os
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from datetime import date
from pathlib import Path

import polars as pl
import pytest

from dashboards import desk
from dashboards.pages.intake import Intake
from pipeline import validate
from pipeline.column_map import propose
from pipeline.errors import ColumnError
from pipeline.published import contract
from pipeline.readers import read
from pipeline.settings import Workspace
from pipeline.steps.compare_builds import compare
from pipeline.steps.mending import mended
from pipeline.steps.proposed import checked_in_words
from pipeline.steps.stage_times import StageClock
from tests.browser import made_up

ROOT = Path(__file__).resolve().parents[2]


def test_uploads_of_yesterday_are_thrown_away_and_those_of_today_kept(tmp_path):
    workspace = Workspace(tmp_path)
    old = desk.Upload(workspace, "old.csv", "a\n1\n").path
    new = desk.Upload(workspace, "new.csv", "a\n1\n").path
    written = old.stat().st_mtime
    for path in (old, old.parent):
        os.utime(path, (written - 2 * desk.ABANDONED_S,) * 2)
    desk.throw_away_abandoned(workspace)
    assert not old.parent.exists()
    assert new.read_text() == "a\n1\n"
    desk.throw_away_abandoned(workspace, now=written + desk.ABANDONED_S / 2)
    assert new.exists()


def test_a_workspace_without_uploads_is_no_fault(tmp_path):
    desk.throw_away_abandoned(Workspace(tmp_path))
    assert list(tmp_path.iterdir()) == []


@pytest.fixture
def raw(tmp_path):
    file = tmp_path / "jobs.csv"
    file.write_text("Address,Built\n1 A St,1950\n2 A St,195O\n3 A St,1952\n", encoding="utf-8")
    return read(file)


def test_a_mended_cell_replaces_that_cell_only(raw):
    new = mended(raw, [{"row": 3, "header": "Built", "text": " 1951 "}])
    assert new.column("Built").to_list() == ["1950", "1951", "1952"]
    assert new.column("Address").to_list() == raw.column("Address").to_list()
    assert raw.column("Built").to_list()[1] == "195O"


def test_an_emptied_cell_is_empty_and_several_columns_can_be_mended(raw):
    cells = [{"row": 2, "header": "Built", "text": ""}, {"row": 4, "header": "Address", "text": "3 B St"}]
    new = mended(raw, cells)
    assert new.column("Built").to_list() == [None, "195O", "1952"]
    assert new.column("Address").to_list() == ["1 A St", "2 A St", "3 B St"]


def test_other_mends_are_another_file_and_none_are_the_same(raw):
    one = mended(raw, [{"row": 3, "header": "Built", "text": "1951"}])
    other = mended(raw, [{"row": 3, "header": "Built", "text": "1961"}])
    assert len({raw.sha256, one.sha256, other.sha256}) == 3
    assert mended(raw, []) is raw


def test_a_header_that_is_not_there_is_told(raw):
    with pytest.raises(ColumnError, match="does not have this header"):
        mended(raw, [{"row": 3, "header": "Age", "text": "1"}])


def test_one_unreadable_text_in_many_rows_is_one_fault_and_an_empty_cell_is_not(tmp_path):
    file = tmp_path / "jobs.csv"
    file.write_text(
        "address,date,year built,verdict\n1 Elm St,2020-05-04,1950's,ok\n2 Elm St,2020-05-04,1950's,ok\n"
        ",2020-05-04,c. 1931,ok\n,2020-05-04,1940,ok\n5 Elm St,3/4/2020,1941,ok\n"
    )
    raw = read(file)
    column_map = propose(raw).map
    told = checked_in_words(raw, validate.check(raw, column_map, today=date(2026, 6, 30)), column_map)
    faults = {(fault["header"], fault["value"]): fault["rows"] for fault in told["faults"]}
    assert faults["year built", "1950's"] == [2, 3]
    assert faults["year built", "c. 1931"] == [4]
    # Two houses without an address are two houses.
    assert [fault["rows"] for fault in told["faults"] if not fault["value"]] == [[4], [5]]
    assert told["n_faults"] == 6
    dates = next(fault for fault in told["faults"] if fault["value"] == "3/4/2020")
    assert "column map" not in dates["reason"]
    assert "“read as”" in dates["reason"]


def test_progress_follows_the_times_of_the_build_before(tmp_path):
    file = tmp_path / "logs" / "times.json"
    file.parent.mkdir()
    file.write_text(json.dumps({"reading": 1.0, "fitting": 8.0, "writing": 1.0}))
    clock = StageClock(file)
    assert [clock.share_done(stage) for stage in ("reading", "fitting", "writing")] == [0, 0.1, 0.9]
    clock.keep()
    assert list(json.loads(file.read_text())) == ["reading", "fitting", "writing"]


@pytest.mark.parametrize("text", [None, "{", "[]"])
def test_without_usable_times_progress_never_runs_back_nor_reaches_the_end(tmp_path, text):
    file = tmp_path / "times.json"
    if text is not None:
        file.write_text(text)
    clock = StageClock(file)
    shares = [clock.share_done(f"stage {i}") for i in range(40)]
    assert shares == sorted(shares)
    assert shares[0] == 0
    assert max(shares) < 1


def frames():
    tables = made_up.frames()
    return {
        name: frame.with_columns(
            pl.lit(None).alias(c) for c in contract.TABLES[name].names if c not in frame.columns
        )
        for name, frame in tables.items()
    }


def test_a_first_build_changed_nothing(tmp_path):
    changed = compare(Workspace(tmp_path), frames())
    assert all(frame.is_empty() for frame in changed.values())


def test_what_changed_stands_beside_what_was(tmp_path):
    made_up.publish(tmp_path)
    after = frames()
    lots = after["lots"].with_columns(
        failure_probability=pl.when(pl.col("lot_id") == "L00003").then(0.99).otherwise("failure_probability")
    )
    medians = pl.when(material="pvc", outcome="any").then(70.0).otherwise("median_age_years")
    groups = after["curve_groups"].with_columns(median_age_years=medians)
    run = after["run"].with_columns(run_id=pl.lit("newer"), n_inspections=pl.lit(225))
    changed = compare(Workspace(tmp_path), {**after, "lots": lots, "curve_groups": groups, "run": run})
    numbers = {row["item"]: (row["before"], row["after"]) for row in changed["changes"].iter_rows(named=True)}
    assert numbers["inspections on record"] == (220, 225)
    assert numbers["lots on record"][0] == numbers["lots on record"][1]
    assert numbers["half of pvc failed by"] == (None, 70)
    assert numbers["lots whose chance moved by 1 point or more"] == (None, 1)
    assert set(changed["changes"]["run_before"]) == {"made-up"}
    assert changed["changed_lots"]["lot_id"].to_list() == ["L00003"]
    assert changed["changed_lots"]["failure_probability"].to_list() == [0.99]


def test_another_law_of_life_is_told_since_it_moves_every_chance(tmp_path):
    made_up.publish(tmp_path)
    after = frames()
    run = after["run"].with_columns(run_id=pl.lit("newer"))
    outcomes = after["outcomes"].with_columns(family=pl.lit("gompertz"))
    same, other = (
        compare(Workspace(tmp_path), {**after, "run": run, "outcomes": told})["changes"]
        for told in (after["outcomes"], outcomes)
    )
    assert not same["item"].str.contains("law").any()
    laws = other.filter(pl.col("item").str.contains("law")).select("item", "before", "after").rows()
    assert laws == [
        ("fitted under the weibull law (1 yes, 0 no)", 1, 0),
        ("fitted under the gompertz law (1 yes, 0 no)", 0, 1),
    ]


def test_the_same_input_built_again_keeps_what_was_told(tmp_path):
    made_up.publish(tmp_path)
    told = compare(Workspace(tmp_path), frames())
    assert told["changes"]["item"].to_list() == frames()["changes"]["item"].to_list()


def ask(tmp_path, **request):
    done = subprocess.run(
        [sys.executable, "-m", "pipeline.desk"],
        input=json.dumps({"workspace": str(tmp_path / "work"), **request}),
        cwd=ROOT, capture_output=True, text=True, timeout=120, check=True,
    )  # fmt: skip
    return [json.loads(line) for line in io.StringIO(done.stdout)]


def test_the_desk_tells_stages_then_one_answer(tmp_path):
    file = tmp_path / "jobs.csv"
    file.write_text(
        "Address,Date,Year built,Pipe,Verdict\n1 A St,2020-03-04,1950,clay,Good\n", encoding="utf-8"
    )
    *stages, last = ask(tmp_path, do="propose", file=str(file))
    assert [list(stage) for stage in stages] == [["stage"]]
    assert last["answer"]["layout"] == "jobs"
    taken = {item["header"]: item["column"] for item in last["answer"]["headers"]}
    assert taken == {
        "Address": "address",
        "Date": "inspection_date",
        "Year built": "year_built",
        "Pipe": "material_run",
        "Verdict": "overall_verdict",
    }


def test_a_fault_of_the_user_is_one_sentence(tmp_path):
    last = ask(tmp_path, do="propose", file=str(tmp_path / "none.csv"))[-1]
    assert last == {"fault": "none.csv: there is no such file. Check the path."}


def test_a_defect_is_a_reference_with_details_in_the_log(tmp_path):
    last = ask(tmp_path, do="check", file=str(tmp_path / "none.csv"))[-1]  # no map: a page would never ask so
    assert last["fault"].startswith("This is a defect in Underlot, not in your file (reference ")
    (log,) = (tmp_path / "work" / "logs").iterdir()
    assert "Traceback" in log.read_text()
    assert log.stem in last["fault"]


@pytest.mark.filterwarnings("ignore::PendingDeprecationWarning")
def test_a_double_click_on_build_builds_once(tmp_path, monkeypatch):
    asked = []

    async def ask(workspace, do, on_stage, **request):
        asked.append(do)
        await asyncio.sleep(0)
        return {}

    monkeypatch.setattr(desk, "ask", ask)
    intake = Intake(Workspace(tmp_path))

    async def clicked_twice():
        await asyncio.gather(intake._built(), intake._built())

    # On a thread of its own: the one of the tests has a loop already where a browser was driven before.
    with ThreadPoolExecutor(1) as thread:
        thread.submit(lambda: asyncio.run(clicked_twice())).result()
    assert asked == ["build"]
