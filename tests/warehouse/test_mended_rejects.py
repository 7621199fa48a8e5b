"""Rejected rows are written out as given, mended, and load with the same map."""

from __future__ import annotations

import csv
import zipfile
from pathlib import Path

import polars as pl
import pytest

from pipeline import readers
from pipeline.column_map import ColumnMap
from pipeline.errors import SettingsError
from pipeline.formulas import REASON_HEADER, ROW_HEADER
from pipeline.steps.load import load
from pipeline.steps.rejects import COMPANION, export_rejects
from pipeline.warehouse import open_warehouse
from tests.warehouse_frames import load_rows

LOTS_MAP = """layout = "lots"
[columns.lot_id]
from = "Parcel"
[columns.year_built]
from = "Built"
"""
FINDINGS_MAP = """layout = "findings"
[columns.inspection_id]
from = "Job"
[columns.at_ft]
from = "Feet"
[columns.kind]
from = "Seen"
"""


def write(path: Path, lines: list[list[str]]) -> Path:
    with path.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows(lines)
    return path


def read_csv(path: Path) -> list[list[str]]:
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.reader(file))


@pytest.fixture
def lots_map() -> ColumnMap:
    return ColumnMap.from_toml(LOTS_MAP)


def test_mended_rows_load_with_the_same_map(workspace, tmp_path, lots_map):
    jobs = write(
        tmp_path / "lots.csv",
        [["Parcel", "Built"], ["001", "1950"], ["002", "old"], ["003", "1960"], ["", "1970"]],
    )
    first = load(workspace, jobs, lots_map)
    assert (first.n_read, first.n_accepted, first.n_rejected) == (4, 2, 2)
    written = export_rejects(workspace, tmp_path / "mend.csv")
    assert (written.n_rejected, written.n_companions, written.n_unreadable, written.file_name) == (
        2,
        0,
        0,
        "lots.csv",
    )
    lines = read_csv(tmp_path / "mend.csv")
    assert lines[0] == ["Parcel", "Built", ROW_HEADER, REASON_HEADER]
    assert [line[:3] for line in lines[1:]] == [["002", "old", "3"], ["", "1970", "5"]]
    assert all(line[3] for line in lines[1:])
    lines[1][1], lines[2][0] = "1955", "004"
    second = load(workspace, write(tmp_path / "mended.csv", lines), lots_map)
    assert (second.n_read, second.n_accepted, second.n_rejected) == (2, 2, 0)
    with open_warehouse(workspace, read_only=True) as warehouse:
        lots = warehouse.frame("FROM core.lots ORDER BY lot_id").select("lot_id", "year_built").rows()
        assert lots == [("001", 1950), ("002", 1955), ("003", 1960), ("004", 1970)]
        # what was rejected stays on record
        assert warehouse.frame("FROM records.rejects").height == 2


def test_workbook_keeps_text_as_text_and_the_headers_in_their_row(workspace, tmp_path):
    column_map = ColumnMap.from_toml("header_row = 3\n" + LOTS_MAP)
    lines = [["Invented list"], [], ["Parcel", "Built"], ["007", "?!"]]
    load(workspace, write(tmp_path / "lots.csv", lines), column_map)
    export_rejects(workspace, tmp_path / "mend.xlsx")
    sheet = pl.read_excel(tmp_path / "mend.xlsx", has_header=False, drop_empty_rows=False)
    rows = sheet.rows()
    assert rows[2][:2] == ("Parcel", "Built")
    assert rows[3][:2] == ("007", "?!")
    report = load(workspace, tmp_path / "mend.xlsx", column_map)
    assert (report.n_read, report.n_rejected) == (1, 1)


#: Signs of CWE-1236 and OWASP ASVS 1.2.10, and what must come back as it was.
STRANGE = ["=1+1", "+cmd|' /C calc'!A0", "-2+3", "@SUM(A1)", "\tTab", "'=quoted", "'plain", "Oak St"]


@pytest.mark.parametrize("ending", ["csv", "xlsx"])
def test_rejected_text_is_no_formula_and_comes_back_as_it_was(workspace, tmp_path, ending):
    column_map = ColumnMap.from_toml(
        LOTS_MAP + '[columns.address]\nfrom = "=Address"\n[columns.lon]\nfrom = "Lon"\n'
    )
    headers = ["Parcel", "Built", "=Address", "Lon"]
    lines = [[f"{i:03}", "old", text, "-97.5"] for i, text in enumerate(STRANGE)]
    first = load(workspace, write(tmp_path / "lots.csv", [headers, *lines]), column_map)
    assert first.n_rejected == len(STRANGE)
    file = tmp_path / f"mend.{ending}"
    export_rejects(workspace, file)
    if ending == "csv":
        written = read_csv(file)
        assert [line[2] for line in written] == [
            "'=Address", "'=1+1", "'+cmd|' /C calc'!A0", "'-2+3", "'@SUM(A1)", "'\tTab", "''=quoted", "'plain", "Oak St"
        ]  # fmt: skip
        assert {line[3] for line in written[1:]} == {"-97.5"}
    else:
        with zipfile.ZipFile(file) as book:
            assert b"<f>" not in book.read("xl/worksheets/sheet1.xml")
    back = readers.read(file)
    assert back.headers == (*headers, ROW_HEADER, REASON_HEADER)
    assert back.column("=Address").to_list() == STRANGE
    assert set(back.column("Lon")) == {"-97.5"}
    # The same rows again, and none of them is lost for want of a header.
    again = load(workspace, file, column_map)
    assert (again.n_read, again.rejects_by_reason) == (first.n_read, first.rejects_by_reason)


def test_findings_of_one_inspection_are_written_together(workspace, tmp_path):
    """A later load replaces an inspection's findings together, so the good ones must stand beside the mended one."""
    with open_warehouse(workspace) as warehouse:
        load_rows(warehouse, "lots", [{"lot_id": "A"}])
        load_rows(
            warehouse,
            "inspections",
            [{"inspection_id": job, "lot_id": "A", "age_years": 9.0} for job in ("1", "2")],
        )
    column_map = ColumnMap.from_toml(FINDINGS_MAP)
    lines = [["Job", "Feet", "Seen"], ["1", "10", "crack"], ["1", "twenty", "hole"], ["2", "5", "roots"]]
    load(workspace, write(tmp_path / "findings.csv", lines), column_map)
    written = export_rejects(workspace, tmp_path / "mend.csv")
    assert (written.n_rejected, written.n_companions) == (1, 1)
    mended = read_csv(tmp_path / "mend.csv")
    assert mended[1][:3] == ["1", "10", "crack"]
    assert mended[1][4] == COMPANION
    mended[2][1] = "20"
    report = load(workspace, write(tmp_path / "mended.csv", mended), column_map)
    assert (report.n_accepted, report.n_unchanged, report.n_superseded) == (1, 1, 0)
    with open_warehouse(workspace, read_only=True) as warehouse:
        stored = warehouse.frame("FROM core.findings ORDER BY ALL").select("inspection_id", "at_ft").rows()
    assert stored == [("1", 10.0), ("1", 20.0), ("2", 5.0)]


def test_nothing_to_write(workspace, tmp_path, lots_map):
    load(workspace, write(tmp_path / "lots.csv", [["Parcel", "Built"], ["001", "1950"]]), lots_map)
    with pytest.raises(SettingsError) as caught:
        export_rejects(workspace, tmp_path / "mend.csv")
    assert str(caught.value) == "There are no rejected rows of any load, so there is nothing to write."
    with pytest.raises(SettingsError, match=r"mend\.pdf: rejected rows are written as \.csv or \.xlsx\."):
        export_rejects(workspace, tmp_path / "mend.pdf")


def test_a_place_that_cannot_be_written(workspace, tmp_path, lots_map):
    load(workspace, write(tmp_path / "lots.csv", [["Parcel", "Built"], ["001", "old"]]), lots_map)
    with pytest.raises(SettingsError, match="cannot be written"):
        export_rejects(workspace, tmp_path / "absent" / "mend.csv")


def test_rows_that_fit_under_no_headers_cannot_be_written(workspace, tmp_path, lots_map):
    report = load(
        workspace,
        write(tmp_path / "lots.csv", [["Parcel", "Built"], ["001", "1950"], ["2", "1", "1", "1"]]),
        lots_map,
    )
    assert report.rejects_by_reason == {"malformed_row": 1}
    with pytest.raises(SettingsError) as caught:
        export_rejects(workspace, tmp_path / "mend.csv")
    assert str(caught.value) == (
        "lots.csv: none of its 1 rejected rows can be laid under its headers, "
        "so they cannot be written out. Correct them in the file itself and load it again."
    )
    assert not (tmp_path / "mend.csv").exists()
