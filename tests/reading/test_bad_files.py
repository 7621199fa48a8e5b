"""Files that cannot be read: one clear sentence each, and always an InputFileError."""

import zipfile
from datetime import timedelta

import numpy as np
import polars as pl
import pyogrio
import pytest
import shapely
import xlsxwriter

from pipeline import readers
from pipeline.errors import InputFileError

KINDS = "CSV, Excel, Parquet, GeoJSON, GeoPackage and shapefile can be read."


def message(path, **kwargs):
    with pytest.raises(InputFileError) as caught:
        readers.read(path, **kwargs)
    text = str(caught.value)
    assert text.startswith(f"{path.name}: ")
    assert "\n" not in text
    return text.removeprefix(f"{path.name}: ")


def good_workbook(path):
    with xlsxwriter.Workbook(str(path)) as book:
        sheet = book.add_worksheet("Jobs")
        sheet.write_row(0, 0, ["Address", "Date"])
        for i in range(200):
            sheet.write_row(i + 1, 0, [f"{i} Elm St", "2020-01-01"])
    return path


def good_parquet(path):
    pl.DataFrame({"lot_id": [str(i) for i in range(1000)]}).write_parquet(path)
    return path


def good_places(path):
    shapes = np.array([shapely.box(i, 0, i + 1, 1) for i in range(50)])
    fields = [np.array([f"{i:03}" for i in range(50)], dtype=object)]
    pyogrio.raw.write(
        path, shapely.to_wkb(shapes), fields, ["lot_id"], crs="EPSG:4326", geometry_type="Polygon"
    )
    return path


def cut(path, share=0.5):
    content = path.read_bytes()
    path.write_bytes(content[: int(len(content) * share)])
    return path


def test_missing_file(tmp_path):
    assert message(tmp_path / "no.csv") == "there is no such file. Check the path."


def test_folder(tmp_path):
    folder = tmp_path / "jobs.csv"
    folder.mkdir()
    assert message(folder) == "this is a folder, not a file. Give one file at a time."


@pytest.mark.parametrize("name", ["a.csv", "a.xlsx", "a.xls", "a.parquet", "a.geojson", "a.gpkg", "a.shp"])
def test_nothing_in_it(tmp_path, name):
    path = tmp_path / name
    path.write_bytes(b"")
    assert message(path) == "the file is empty (0 bytes). Copy or export it again."


def test_only_blanks(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("\n \n,,\n")
    assert message(path) == "the file is empty. Choose the file that holds the records."


def test_only_headers(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("lot_id,address\n")
    assert (
        message(path) == "there are headers but no rows under them. Choose the file that holds the records."
    )


@pytest.mark.parametrize("name", ["a.doc", "a.pdf", "jobs", "a.zip"])
def test_unknown_kind(tmp_path, name):
    path = tmp_path / name
    path.write_text("lot_id\n1\n")
    assert message(path) == f"files ending in '{path.suffix}' cannot be read. {KINDS}"


@pytest.mark.parametrize(
    ("name", "content", "claimed", "actual"),
    [
        ("a.csv", b"PK\x03\x04 and so on", "a text table", "a workbook or another zip archive"),
        ("a.csv", b"%PDF-1.7 and so on", "a text table", "a PDF"),
        ("a.csv", b"PAR1 and so on....", "a text table", "a Parquet file"),
        ("a.xlsx", b"lot_id,address\n1,2\n", "an Excel workbook", "something else"),
        ("a.xlsx", b"%PDF-1.7 and so on", "an Excel workbook", "a PDF"),
        ("a.parquet", b"lot_id,address\n1,2\n", "a Parquet file", "something else"),
    ],
)
def test_wrong_ending(tmp_path, name, content, claimed, actual):
    path = tmp_path / name
    path.write_bytes(content)
    assert message(path) == (
        f"its name says {claimed}, but it is {actual}. Give the file its right ending, or export it again. {KINDS}"
    )


def test_bytes_that_are_no_text(tmp_path):
    path = tmp_path / "a.csv"
    path.write_bytes(bytes(range(1, 32)) + b"\0\0\0" * 100)
    assert message(path).startswith("this is not a table of text.")


def test_cut_off_workbook(tmp_path):
    path = cut(good_workbook(tmp_path / "a.xlsx"))
    assert message(path) == (
        "the workbook is damaged or incomplete. Open it in a spreadsheet program, save it anew and load that; or "
        "save the sheet as CSV."
    )


def test_another_zip(tmp_path):
    path = tmp_path / "a.xlsx"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("word/document.xml", "<a/>")
    assert message(path) == "this is not an Excel workbook. Give the workbook, or save the table as CSV."


def test_password(tmp_path):
    # An encrypted workbook is an OLE container with a stream of this name (MS-OFFCRYPTO 2.3.4.4; from memory).
    path = tmp_path / "a.xlsx"
    path.write_bytes(
        b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 504 + "EncryptedPackage".encode("utf-16-le")
    )
    assert message(path) == (
        "the workbook is protected by a password. Save a copy without a password and load that."
    )


def test_damaged_old_workbook(tmp_path):
    path = tmp_path / "a.xls"
    path.write_bytes(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 504)
    assert message(path).startswith("the workbook is damaged or incomplete.")


def test_workbook_without_cells(tmp_path):
    path = tmp_path / "a.xlsx"
    with xlsxwriter.Workbook(str(path)) as book:
        book.add_worksheet()
    assert message(path) == "the workbook has no filled cells. Choose the file that holds the records."


def test_workbook_with_headers_only(tmp_path):
    path = tmp_path / "a.xlsx"
    with xlsxwriter.Workbook(str(path)) as book:
        book.add_worksheet("Jobs").write_row(0, 0, ["Address", "Date"])
    assert message(path) == (
        "sheet 'Jobs' has headers but no rows under them. Choose the sheet that holds the records."
    )


def test_no_such_sheet(tmp_path):
    path = good_workbook(tmp_path / "a.xlsx")
    assert message(path, sheet="Work") == "there is no sheet 'Work'. Its sheets are: Jobs."


def test_no_such_header_row(tmp_path):
    path = good_workbook(tmp_path / "a.xlsx")
    assert (
        message(path, header_row=900) == "sheet 'Jobs' has no row 900. Correct header_row in the column map."
    )
    text = tmp_path / "a.csv"
    text.write_text("a,b\n1,2\n")
    assert message(text, header_row=9) == "there is no header row 9. Correct header_row in the column map."


@pytest.mark.parametrize("share", [0.3, 0.9, 0.999])
def test_cut_off_parquet(tmp_path, share):
    path = cut(good_parquet(tmp_path / "a.parquet"), share)
    assert message(path) == "the Parquet file is damaged or incomplete. Copy or export it again."


def test_parquet_without_rows_or_with_lists(tmp_path):
    path = tmp_path / "a.parquet"
    pl.DataFrame(schema={"lot_id": pl.String}).write_parquet(path)
    assert message(path) == "there are columns but no rows. Choose the file that holds the records."
    pl.DataFrame({"lot_id": [["1"]]}).write_parquet(path)
    problem = "column 'lot_id' holds lists, bytes or spans of time. Export it as plain columns."
    assert message(path) == problem
    pl.DataFrame({"lot_id": [timedelta(days=1)]}).write_parquet(path)
    assert message(path) == problem


@pytest.mark.parametrize("name", ["a.geojson", "a.gpkg", "a.shp"])
def test_cut_off_places(tmp_path, name):
    path = cut(good_places(tmp_path / name), 0.3)
    assert message(path) == (
        "the file is damaged, incomplete, or not the geographic format that its name says. Export it again; a "
        "shapefile needs its .shp, .shx and .dbf side by side."
    )


def test_shapefile_without_its_other_files(tmp_path):
    path = good_places(tmp_path / "a.shp")
    path.with_suffix(".shx").unlink()
    path.with_suffix(".dbf").unlink()
    assert message(path).startswith("the file is damaged, incomplete")


def test_no_such_layer(tmp_path):
    path = good_places(tmp_path / "a.gpkg")
    assert message(path, sheet="b") == "there is no layer 'b'. Its layers are: a."


def test_places_without_features(tmp_path):
    path = tmp_path / "a.geojson"
    path.write_text('{"type": "FeatureCollection", "features": []}')
    assert message(path) == "there are no features in it. Choose the file that holds the records."


@pytest.mark.parametrize("grid", [1025, 20000], ids=["no such code", "heights"])
def test_a_grid_that_is_none_is_named(tmp_path, grid):
    assert message(good_places(tmp_path / "a.gpkg"), grid=grid) == (
        f"the column map names the grid {grid}, which is no EPSG code of a map's coordinates. "
        "Correct the line grid = … of the map."
    )
