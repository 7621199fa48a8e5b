"""What leaves the workspace with an address: a purpose, a log, consent, and whom not to contact.

The rules are fair dealing as common in the trade: a client's report is the client's, and a prediction is no finding.
"""

from __future__ import annotations

import csv
import io
import json
import re
import shutil
from pathlib import Path

import polars as pl
import pytest

from dashboards import wording
from pipeline.errors import InputFileError
from pipeline.exports import do_not_contact
from pipeline.published.read import open_current
from pipeline.settings import Workspace
from pipeline.steps.score import SEEN_COLUMNS, area_fit_to_leave

PURPOSE = ("--purpose", "a test of fair dealing")


@pytest.fixture
def office(town: Workspace, tmp_path: Path) -> Workspace:
    """The town's published results in a workspace of its own, so that lists and logs are this test's."""
    shutil.copytree(town.published, tmp_path / "published")
    return Workspace(tmp_path)


@pytest.fixture
def lots(office: Workspace) -> pl.DataFrame:
    with open_current(office) as reader:
        return reader.table("lots")


def rows_of(answer) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(answer.out)))


def log_of(office: Workspace) -> list[dict[str, object]]:
    return [json.loads(line) for line in (office.root / "exports.jsonl").read_text().splitlines()]


@pytest.mark.parametrize("form", ["csv", "json", "geojson"])
def test_lots_leave_with_a_purpose_only_and_are_logged(underlot, office, lots, form) -> None:
    refused = underlot("score", lots["lot_id"][0], "--format", form, workspace=office.root)
    assert refused.code == 2
    assert "Say in a few words what they are for" in refused.err
    assert not (office.root / "exports.jsonl").exists()
    vague = underlot("score", lots["lot_id"][0], "--format", form, "--purpose", "x", workspace=office.root)
    assert vague.code == 2
    answer = underlot("score", lots["lot_id"][0], "--format", form, *PURPOSE, workspace=office.root)
    assert answer.code == 0
    assert "a test of fair dealing" in answer.out
    (line,) = log_of(office)
    assert (line["command"], line["purpose"], line["n_lots"]) == ("score", "a test of fair dealing", 1)
    assert line["use_until"] > line["at"]


def test_a_result_leaves_only_where_its_client_allows_it(underlot, office, lots) -> None:
    seen = lots.filter((pl.col("n_inspections") > 0) & pl.col("last_verdict").is_not_null())
    kept, told = seen.filter(~pl.col("tells_own_results")), seen.filter(pl.col("tells_own_results"))
    # Those whose own looks moved them most would give most away.
    moved = (pl.col("failure_probability") - pl.col("failure_probability_without_own")).abs()
    kept, told = (frame.sort(moved, descending=True).head(5) for frame in (kept, told))
    answer = underlot("score", *kept["lot_id"], "--format", "csv", *PURPOSE, workspace=office.root)
    for row, lot in zip(rows_of(answer), kept.iter_rows(named=True), strict=True):
        assert row["status"] == "own_results_withheld"
        assert float(row["failure_probability"]) == pytest.approx(lot["failure_probability_without_own"])
        assert float(row["failure_probability"]) != pytest.approx(lot["failure_probability"], abs=0.01)
        assert row["failure_within_horizon_probability"] == ""
        assert "newest look" not in row["reasons"]
        assert str(lot["last_verdict"]) not in answer.out.replace("replaces", "")
    answer = underlot("score", *told["lot_id"], "--format", "csv", *PURPOSE, workspace=office.root)
    for row, lot in zip(rows_of(answer), told.iter_rows(named=True), strict=True):
        assert float(row["failure_probability"]) == pytest.approx(lot["failure_probability"])
        assert "The newest look" in row["reasons"]


def test_a_small_areas_counts_stay_here() -> None:
    areas = pl.DataFrame({"n_inspected": [9, 10], **{name: [1.0, 1.0] for name in SEEN_COLUMNS}})
    told = area_fit_to_leave(areas, 10)
    for name in ("n_observed", "ratio"):
        assert told[name].to_list() == [None, 1.0]


def test_nothing_is_told_of_lots_not_to_be_contacted(underlot, office, lots) -> None:
    quiet, other = lots["lot_id"][0], lots["lot_id"][1]
    (office.root / "do_not_contact.csv").write_text(f"lot_id\n{quiet}\n")
    answer = underlot("score", quiet, other, "--format", "csv", *PURPOSE, workspace=office.root)
    first, second = rows_of(answer)
    assert (first["lot_id"], first["status"]) == (quiet, "do_not_contact")
    assert not any(
        first[name] for name in ("address", "failure_probability", "reasons", "sentence", "line_summary")
    )
    assert second["failure_probability"]


def test_areas_may_leave_and_doors_only_with_a_purpose(underlot, office, lots) -> None:
    areas = underlot("canvass", "--format", "csv", workspace=office.root)
    assert areas.code == 0
    assert not set(lots["address"]) & {cell for row in rows_of(areas) for cell in row.values()}
    refused = underlot("canvass", "--doors", office.root / "doors.csv", workspace=office.root)
    assert refused.code == 2
    assert not (office.root / "doors.csv").exists()


def test_doors_leave_out_whom_not_to_contact_even_when_mistyped(underlot, office, lots) -> None:
    with open_current(office) as reader:
        doors = reader.query(
            "SELECT l.address, l.lot_id FROM canvass_lots JOIN lots AS l USING (lot_id) ORDER BY 2"
        )
    by_address, mistyped, by_id = doors.filter(pl.col("address").is_unique()).head(3).iter_rows(named=True)
    wrong = mistyped["address"].replace(mistyped["address"].split()[1], mistyped["address"].split()[1][:-1])
    listed = [by_address["address"].upper().replace("STREET", "ST."), wrong]
    entries = "".join(f'"{address}",\n' for address in listed) + f",{by_id['lot_id']}\n"
    (office.root / "do_not_contact.csv").write_text(f"address,lot_id\n{entries}")
    out = office.root / "doors.csv"
    answer = underlot("canvass", "--doors", out, "--areas", "1000", *PURPOSE, workspace=office.root)
    assert answer.code == 0
    left = pl.read_csv(out, infer_schema=False)
    assert 0 < left.height < doors.height
    assert not {by_address["lot_id"], mistyped["lot_id"], by_id["lot_id"]} & set(left["lot_id"])
    assert f"'{wrong}' is no lot on record" in answer.err
    # One number for all doors of an area; nothing of any one house.
    assert (
        left.group_by("area_id").agg(pl.col("per_door").n_unique())["per_door"].to_list()
        == [1] * left["area_id"].n_unique()
    )
    assert log_of(office)[-1]["n_lots"] == left.height


@pytest.mark.parametrize("entries", ["name\nx\n", "house\n", ",,\n"])
def test_only_a_known_header_alone_is_a_list_with_nobody_on_it(office, entries) -> None:
    lots = pl.DataFrame({"lot_id": ["1"], "address": ["1 Elm St"]})
    file = office.root / "do_not_contact.csv"
    file.write_text("Lot, note\n")
    assert do_not_contact(office, lots).lots == frozenset()
    file.write_text(entries)
    with pytest.raises(InputFileError):
        do_not_contact(office, lots)


def test_a_list_that_cannot_be_read_stops_every_list_of_lots(underlot, office, lots) -> None:
    (office.root / "do_not_contact.csv").write_text("phone\n555\n")
    for command in (
        ("score", lots["lot_id"][0], "--format", "csv", *PURPOSE),
        ("canvass", "--doors", office.root / "doors.csv", *PURPOSE),
        ("connections", "--out", office.root / "plan.csv", *PURPOSE),
    ):
        answer = underlot(*command, workspace=office.root)
        assert answer.code == 3
        assert "do_not_contact.csv: no column of lot ids or addresses" in answer.err
        assert not answer.out
    assert not list(office.root.glob("*.csv.part"))
    assert not (office.root / "plan.csv").exists()


def test_a_report_on_a_subdivision_tells_of_no_look_its_client_keeps_and_of_nobody_not_to_be_contacted(
    underlot, office, lots
) -> None:
    kept = lots.filter(
        (pl.col("status") == "ok") & (pl.col("n_inspections") > 0) & ~pl.col("tells_own_results")
    )
    name = kept["subdivision"].drop_nulls().mode().sort()[0]
    here = lots.filter((pl.col("subdivision") == name) & (pl.col("status") == "ok"))
    report = office.root / "area.html"
    assert underlot("report", "--subdivision", name, "--save", report, workspace=office.root).code == 0
    (line,) = log_of(office)
    assert (line["command"], line["purpose"]) == ("report", f"subdivision report on {name}")
    cells = [cell for row in re.findall("<tr>.*?</tr>", report.read_text(), re.DOTALL) if "withheld" in row
             for cell in [re.findall("<td[^>]*>(.*?)</td>", row, re.DOTALL)]]  # fmt: skip
    assert cells
    for address, _, _, _, chance in cells:
        lot = here.filter(pl.col("address") == address)
        without = [lot[f"failure_probability_without_own{end}"].item() for end in ("", "_lower", "_upper")]
        assert chance == wording.estimate(*without)
    worst = cells[0][0]
    (office.root / "do_not_contact.csv").write_text(f"address\n{worst}\n")
    assert underlot("report", "--subdivision", name, "--save", report, workspace=office.root).code == 0
    assert worst not in report.read_text()


def test_a_report_on_a_house_says_for_whom_it_is_and_is_logged(underlot, office, lots) -> None:
    seen = lots.filter((pl.col("status") == "ok") & (pl.col("n_inspections") > 0))
    words = "Hand it to that client only"
    for tells, is_said in ((False, True), (True, False)):
        lot = seen.filter(pl.col("tells_own_results") == tells)["lot_id"][0]
        report = office.root / f"{tells}.html"
        assert underlot("report", lot, "--save", report, workspace=office.root).code == 0
        assert (words in report.read_text()) == is_said
    assert [(line["command"], line["n_lots"]) for line in log_of(office)] == [("report", 1), ("report", 1)]
