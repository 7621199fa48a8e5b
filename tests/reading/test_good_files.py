"""Files that can be read: every row comes out, as it was, with the number that a spreadsheet gives it."""

import csv
import io
import json
import os
import tempfile
from datetime import date, datetime
from pathlib import Path

import numpy as np
import polars as pl
import pyogrio
import pyproj
import pytest
import shapely
import xlsxwriter
from hypothesis import given
from hypothesis import strategies as st

from pipeline import readers
from pipeline.column_map import propose


def read_text(tmp_path, text, encoding="utf-8", **kwargs):
    path = tmp_path / "rows.csv"
    path.write_bytes(text.encode(encoding))
    return readers.read(path, **kwargs)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize("newline", ["\n", "\r\n"])
def test_encodings_and_delimiters(tmp_path, encoding, delimiter, newline):
    lines = [["lot id", "Straße", "length"], ["007", "Müllerweg 4", "12.5"], ["008", "Café", ""]]
    raw = read_text(tmp_path, newline.join(delimiter.join(line) for line in lines), encoding)
    assert raw.headers == ("lot id", "Straße", "length")
    assert raw.rows.rows() == [(2, "007", "Müllerweg 4", "12.5"), (3, "008", "Café", None)]
    assert raw.malformed.is_empty()


def test_rows_of_the_wrong_width_are_kept_as_rejects(tmp_path):
    raw = read_text(tmp_path, "a1,b1,c1\n1,2,3\n\n4,5\n6,7,8,9\n10,11,12")
    assert raw.rows["source_row"].to_list() == [2, 6]
    assert raw.malformed.select("source_row", "value", "reason_code", "reason").rows() == [
        (4, "4,5", "malformed_row", "The row has 2 fields where the headers name 3. Mend the row."),
        (5, "6,7,8,9", "malformed_row", "The row has 4 fields where the headers name 3. Mend the row."),
    ]
    assert raw.n_read == 4


def test_an_unclosed_quotation_mark_swallows_nothing_silently(tmp_path):
    raw = read_text(tmp_path, 'a1,b1,c1\n1,2,3\n4,5,"open\n6,7,n\n8,9,"shut"\n10,11,12\n')
    assert raw.rows["source_row"].to_list() == [2, 4]
    assert raw.malformed["reason"].to_list() == [
        "A quotation mark is opened in this row and not closed, so that it swallows 2 more lines of the file. "
        "Mend the row."
    ]
    assert "6,7,n" in raw.malformed["value"][0]


def test_inch_marks_and_line_breaks_in_fields(tmp_path):
    raw = read_text(
        tmp_path, 'address,material,note\n"1 Elm, rear",4" PVC,"two\nlines"\n2 Elm,"4"" PVC > 6"" VCP",x\n'
    )
    assert raw.rows.rows() == [
        (2, "1 Elm, rear", '4" PVC', "two\nlines"),
        (3, "2 Elm", '4" PVC > 6" VCP', "x"),
    ]


def test_headers_below_a_title(tmp_path):
    raw = read_text(tmp_path, "My jobs,,\n,,\nAddress,Date,Material\n1 Elm St,2020-01-02,PVC\n")
    assert raw.headers == ("Address", "Date", "Material")
    assert raw.rows.rows() == [(4, "1 Elm St", "2020-01-02", "PVC")]


def test_records_full_of_known_words_are_not_taken_for_headers(tmp_path):
    raw = read_text(tmp_path, "lon_3dp,wann,KIND_OF,WHY,SIZE_MM,STUFF\n-80.1,2017-12-01,MAIN,AGE,450,CI\n")
    assert raw.headers == ("lon_3dp", "wann", "KIND_OF", "WHY", "SIZE_MM", "STUFF")
    assert raw.n_read == 1


def test_boxes_ticked_with_x_are_not_taken_for_headers(tmp_path):
    # Checklists tick with "x", which is also what a column of eastings may be called.
    names = ["address", "date", "year built", *(f"seen {k}" for k in range(20))]
    record = ["1 Elm St", "2020-05-04", "1950", *["x"] * 20]
    raw = read_text(tmp_path, "\n".join(",".join(row) for row in (names, record, record)))
    assert raw.headers == tuple(names)
    assert raw.n_read == 2


def test_headers_in_no_known_language_stay_the_headers(tmp_path):
    raw = read_text(tmp_path, "Ort,Zustand,Werkstoff,Art\nA Weg,gut,Beton,KS\nB Weg,date,main,KM\n")
    assert raw.headers == ("Ort", "Zustand", "Werkstoff", "Art")
    assert raw.n_read == 2


def test_group_titles_over_the_headers_are_titles(tmp_path):
    raw = read_text(
        tmp_path,
        "House,,,Camera,,\nAddress,Yr Built,Tract,Date,Length,Result\n1 Elm,1950,A,2020-05-04,45,ok\n",
    )
    assert raw.headers == ("Address", "Yr Built", "Tract", "Date", "Length", "Result")


def test_headers_twice_or_empty_get_names(tmp_path):
    raw = read_text(tmp_path, "note,lot_id,note,\n1,2,3,4\n")
    assert raw.headers == ("note", "lot_id", "note (2)", "column 4")


def test_totals_notes_and_repeated_headers_are_set_aside(tmp_path):
    raw = read_text(
        tmp_path,
        "Address,Date,Length,Note\n1 Elm,2020-01-01,40,a\nnew camera from here,,,\nAddress,Date,Length,Note\n"
        "2 Elm,2020-01-02,50,b\nTotal,,90,\n",
    )
    assert raw.rows["source_row"].to_list() == [2, 5]
    assert raw.malformed.select("source_row", "reason").rows() == [
        (3, "This is a note across the sheet, not a record."),
        (4, "This row repeats the headers."),
        (6, "This is a total under the records, not a record."),
    ]
    assert raw.n_read == 5


CELL = st.text(st.characters(codec="utf-8", exclude_characters="\0\r"), max_size=12)


@given(
    rows=st.lists(st.lists(CELL, min_size=3, max_size=3), min_size=1, max_size=12),
    delimiter=st.sampled_from([",", ";", "\t"]),
)
def test_what_a_csv_writer_writes_comes_back(rows, delimiter):
    text = io.StringIO(newline="")
    writer = csv.writer(text, delimiter=delimiter, quoting=csv.QUOTE_ALL)
    writer.writerow(["inspection_id", "lot_id", "operator"])
    writer.writerows(rows)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "rows.csv"
        path.write_bytes(text.getvalue().encode())
        filled = [row for row in rows if any(row)]
        if not filled:
            return
        raw = readers.read(path, header_row=1, delimiter=delimiter)
    back = [list(cell or "" for cell in row[1:]) for row in raw.rows.rows()]
    aside = raw.malformed["source_row"].to_list()
    assert back == [row for number, row in enumerate(rows, start=2) if any(row) and number not in aside]
    assert raw.n_read == len(filled)


@given(
    st.lists(
        st.lists(st.sampled_from(["1", "x y", "", "2.5"]), min_size=1, max_size=6), min_size=1, max_size=20
    )
)
def test_every_ragged_row_is_read_or_rejected(rows):
    body = "\n".join(",".join(row) for row in rows)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "rows.csv"
        path.write_text("inspection_id,lot_id,operator\n" + body + "\n")
        filled = {n for n, row in enumerate(rows, start=2) if any(row) or len(row) not in {1, 3}}
        if not filled:
            return
        raw = readers.read(path, header_row=1, delimiter=",")
    good, bad = set(raw.rows["source_row"]), set(raw.malformed["source_row"])
    assert not good & bad
    assert good | bad == filled
    assert bad == {n for n, row in enumerate(rows, start=2) if n in filled and len(row) != 3}


def workbook(path):
    with xlsxwriter.Workbook(str(path)) as book:
        book.add_worksheet("Cover").write(0, 0, "Records of an invented inspector")
        sheet = book.add_worksheet("Jobs")
        day = book.add_format({"num_format": "m/d/yyyy"})
        sheet.write(1, 1, "Jobs")
        sheet.write_row(3, 1, ["Address", "Date", "Length", "Drained", "Parcel"])
        sheet.write_row(4, 1, ["1 Elm St"])
        sheet.write_datetime(4, 2, datetime(2020, 3, 4), day)
        sheet.write_row(4, 3, [45.0, True, "007"])
        sheet.write_row(6, 1, ["2 Elm St", "3/14/20", "43' 6\"", False, 8])
        sheet.merge_range(7, 1, 7, 5, "new camera from here on")
        sheet.write_row(8, 1, ["Total", "", 90])
    return path


def test_workbook(tmp_path):
    raw = readers.read(workbook(tmp_path / "a.xlsx"))
    assert raw.sheet == "Jobs"
    assert raw.headers == ("Address", "Date", "Length", "Drained", "Parcel")
    assert raw.rows.rows() == [
        (5, "1 Elm St", "2020-03-04 00:00:00", "45", "true", "007"),
        (7, "2 Elm St", "3/14/20", "43' 6\"", "false", "8"),
    ]
    assert raw.malformed.select("source_row", "reason").rows() == [
        (8, "This is a note across the sheet, not a record."),
        (9, "This is a total under the records, not a record."),
    ]
    assert len(raw.sha256) == 64


def test_sheet_and_header_row_may_be_named(tmp_path):
    path = workbook(tmp_path / "a.xlsx")
    assert readers.read(path, sheet="jobs", header_row=4).headers[0] == "Address"
    with pytest.raises(readers.InputFileError, match="sheet 'Cover' has headers but no rows under them"):
        readers.read(path, sheet="Cover")


def test_parquet_keeps_every_value(tmp_path):
    path = tmp_path / "a.parquet"
    pl.DataFrame(
        {
            "lot_id": ["007", ""],
            "at": [date(2020, 3, 4), None],
            "x": [1.0, 2.25],
            "ok": [True, None],
            "n": [3, 4],
        }
    ).write_parquet(path)
    raw = readers.read(path)
    assert raw.headers == ("lot_id", "at", "x", "ok", "n")
    assert raw.rows.rows() == [(2, "007", "2020-03-04", "1", "true", "3"), (3, None, None, "2.25", None, "4")]


def write_places(path, shapes, crs):
    if os.path.exists(path):
        os.remove(path)
    ids = np.array([f"{i:03}" for i in range(len(shapes))], dtype=object)
    pyogrio.raw.write(
        path, shapely.to_wkb(np.array(shapes)), [ids], ["lot_id"], crs=crs, geometry_type=shapes[0].geom_type
    )
    return readers.read(path)


@pytest.mark.parametrize("name", ["a.geojson", "a.gpkg", "a.shp"])
def test_degrees_give_longitude_and_latitude(tmp_path, name):
    raw = write_places(tmp_path / name, [shapely.box(-120.5, 38.0, -120.3, 38.2)], "EPSG:4326")
    row = dict(zip(raw.headers, raw.rows.row(0)[1:], strict=True))
    assert row["lot_id"] == "000"
    assert (float(row["lon"]), float(row["lat"])) == pytest.approx((-120.4, 38.1))
    assert shapely.from_wkt(row["outline_wkt"]).equals(shapely.box(-120.5, 38.0, -120.3, 38.2))
    assert "x" not in row


@pytest.mark.parametrize("name", ["a.geojson", "a.gpkg", "a.shp"])
def test_feet_labelled_as_degrees_are_rejected(tmp_path, name):
    raw = write_places(
        tmp_path / name, [shapely.box(0, 0, 1, 1), shapely.box(6e5, 20, 6e5 + 100, 30)], "EPSG:4326"
    )
    assert raw.rows["source_row"].to_list() == [2]
    assert raw.malformed.select("source_row", "column_name", "reason_code", "reason").rows() == [
        (
            3,
            "lon",
            "wrong_place",
            "The file says that its coordinates are degrees, but these cannot be; they look like feet or metres of a "
            "grid. Export it with its true coordinate system, or name that in the column map: grid = its EPSG code, or "
            'grid = "local" for feet without a code.',
        )
    ]
    assert raw.n_read == 2


#: California zone 3 in US survey feet (EPSG 2227, NAD83): near 37.9 N, 121.9 W.
ON_GRID = {
    "type": "Polygon",
    "coordinates": [[[6144000, 2174000], [6144100, 2174000], [6144100, 2174050], [6144000, 2174000]]],
}


def write_geojson(path, **members):
    feature = {"type": "Feature", "properties": {"lot_id": "7"}, "geometry": ON_GRID}
    path.write_text(json.dumps({"type": "FeatureCollection", **members, "features": [feature]}))
    return path


def test_geojson_on_a_grid_is_read_when_its_older_crs_member_says_so(tmp_path):
    crs = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::2227"}}
    raw = readers.read(write_geojson(tmp_path / "a.geojson", crs=crs))
    row = dict(zip(raw.headers, raw.rows.row(0)[1:], strict=True))
    assert (row["epsg"], raw.malformed.height) == ("2227", 0)
    assert float(row["x"]) == pytest.approx(6_144_066.667, abs=0.001)


@pytest.mark.parametrize(("grid", "epsg"), [(2227, "2227"), ("local", None)])
def test_geojson_on_a_grid_is_read_when_the_map_says_so(tmp_path, grid, epsg):
    path = write_geojson(tmp_path / "a.geojson")
    silent = readers.read(path)
    assert (silent.rows.height, silent.malformed["reason_code"].to_list()) == (0, ["wrong_place"])
    raw = readers.read(path, grid=grid)
    row = dict(zip(raw.headers, raw.rows.row(0)[1:], strict=True))
    assert (row["epsg"], row["lot_id"], raw.malformed.height) == (epsg, "7", 0)
    assert float(row["y"]) == pytest.approx(2_174_016.667, abs=0.001)
    # so the map that is proposed for it lacks only the line that names the grid
    assert silent.headers == raw.headers


def test_a_geographic_grid_named_by_the_map_gives_degrees(tmp_path):
    path = tmp_path / "a.gpkg"
    write_places(path, [shapely.Point(-120.0, 38.0)], "EPSG:2227")
    raw = readers.read(path, grid=4326)
    assert raw.headers[:3] == ("outline_wkt", "lon", "lat")


@pytest.mark.parametrize("name", ["a.gpkg", "a.shp"])
def test_a_grid_gives_x_y_and_its_epsg(tmp_path, name):
    raw = write_places(tmp_path / name, [shapely.LineString([(6e6, 2e6), (6e6 + 200, 2e6)])], "EPSG:2227")
    row = dict(zip(raw.headers, raw.rows.row(0)[1:], strict=True))
    assert (float(row["x"]), float(row["y"]), row["epsg"]) == (6_000_100, 2_000_000, "2227")
    assert row["outline_wkt"].startswith("LINESTRING")


def test_other_geographic_datums_come_on_wgs84(tmp_path):
    # NAD27: up to about 100 m off WGS 84 in the western United States; the reference is pyproj itself.
    raw = write_places(tmp_path / "a.gpkg", [shapely.Point(-120.0, 38.0)], "EPSG:4267")
    row = dict(zip(raw.headers, raw.rows.row(0)[1:], strict=True))
    expected = pyproj.Transformer.from_crs(4267, 4326, always_xy=True).transform(-120.0, 38.0)
    assert (float(row["lon"]), float(row["lat"])) == pytest.approx(expected, abs=1e-6)


def test_points_have_a_place_and_no_outline_and_an_empty_shape_has_neither(tmp_path):
    path = tmp_path / "a.geojson"
    path.write_text(
        '{"type": "FeatureCollection", "features": ['
        '{"type": "Feature", "properties": {"lot_id": "1"}, "geometry": null},'
        '{"type": "Feature", "properties": {"lot_id": "2"}, "geometry": {"type": "Point", "coordinates": [-120, 38, 5]}},'
        '{"type": "Feature", "properties": {"lot_id": "3"}, "geometry": {"type": "Polygon", "coordinates": '
        "[[[0, 0, 9], [2, 0, 9], [2, 2, 9], [0, 2, 9], [0, 0, 9]]]}}]}"
    )
    raw = readers.read(path)
    assert raw.headers == ("outline_wkt", "lon", "lat", "lot_id")
    assert raw.rows.rows() == [
        (2, None, None, None, "1"),
        (3, None, "-120", "38", "2"),
        (4, "POLYGON ((0 0, 2 0, 2 2, 0 2, 0 0))", "1", "1", "3"),
    ]


def two_rows_of_headers():
    """A header merged over two columns that are named below it, as sheets for people have them."""
    upper = ["Address", "Date", "Line", "", "Verdict"]
    lower = ["", "", "Material", "Length", ""]
    return [["Jobs of 2021"], upper, lower, ["1 Elm St", "2021-03-01", "clay", "60", "repair"]]


@pytest.mark.parametrize("kind", ["xlsx", "csv"])
def test_a_header_merged_over_named_columns(tmp_path, kind):
    path, rows = tmp_path / f"jobs.{kind}", two_rows_of_headers()
    if kind == "csv":
        path.write_text("".join(",".join([*row, *[""] * (5 - len(row))]) + "\n" for row in rows))
    else:
        with xlsxwriter.Workbook(str(path)) as book:
            sheet = book.add_worksheet()
            for i, row in enumerate(rows):
                sheet.write_row(i, 0, [cell or None for cell in row])
            sheet.merge_range("C2:D2", "Line")
            for column in "ABE":
                sheet.merge_range(f"{column}2:{column}3", rows[1]["ABCDE".index(column)])
    raw = readers.read(path)
    assert raw.headers == ("Address", "Date", "Material", "Length", "Verdict")
    assert raw.rows.rows() == [(4, "1 Elm St", "2021-03-01", "clay", "60", "repair")]


@pytest.mark.parametrize(
    "second",
    ["1 Elm St,2021-03-01,clay,,repair", ",,clay,brick,", ",,Material,60,", ",Date,Material,Length,"],
)
def test_a_record_is_not_taken_for_a_second_row_of_headers(tmp_path, second):
    path = tmp_path / "jobs.csv"
    path.write_text(f"Address,Date,Line,,Verdict\n{second}\n2 Elm St,2021-03-02,clay,50,repair\n")
    raw = readers.read(path)
    assert raw.headers == ("Address", "Date", "Line", "column 4", "Verdict")
    assert raw.n_read == 2


def test_sheets_that_are_not_read_are_named(tmp_path):
    path = tmp_path / "years.xlsx"
    with xlsxwriter.Workbook(str(path)) as book:
        for name, rows in (("2019", 3), ("Empty", 0), ("2020", 2), ("2021", 1)):
            sheet = book.add_worksheet(name)
            if rows:
                sheet.write_row(0, 0, ["address", "date", "verdict"])
            for row in range(rows):
                sheet.write_row(row + 1, 0, [f"{row} Elm St", "2020-01-31", "ok"])
    raw = readers.read(path)
    assert (raw.sheet, raw.n_read, raw.other_sheets) == ("2019", 3, ("2020", "2021"))
    asked = readers.read(path, sheet="2020")
    assert (asked.sheet, asked.n_read, asked.other_sheets) == ("2020", 2, ("2019", "2021"))
    with pytest.raises(readers.InputFileError, match="sheet 'Empty' has no filled cells"):
        readers.read(path, sheet="Empty")
    told = propose(raw)
    assert told.notes[1] == (
        "Sheet '2019' is read. Not read: '2020', '2021'. If records stand there too, load each with --sheet."
    )
    assert "--sheet" not in told.open_points[1].for_the_page()
