"""Rows: typed, or rejected with a reason; none lost."""

import tempfile
from datetime import date
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline import readers, validate
from pipeline.column_map import ColumnMap, ColumnRule
from pipeline.columns import TABLES
from pipeline.readers import REJECT_SCHEMA


def faults(found):
    return found.rejects.select("source_row", "column_name", "value", "reason_code", "reason").rows()


def one_fault(check_csv, text, layout):
    found = check_csv(text, layout=layout)
    assert found.n_read == 1
    assert found.n_rejected == 1
    (only,) = faults(found)
    return only[1:]


@pytest.mark.parametrize(
    ("layout", "text", "expected"),
    [
        (
            "segments",
            "lot_id,sequence,from_ft,to_ft\nA,1,20,12\n",
            ("to_ft", "12", "impossible_footage", "to_ft 12 comes before from_ft 20. Correct the two footages."),
        ),
        (
            "findings",
            "inspection_id,at_ft,to_ft,kind\nA,20.5,12,belly\n",
            ("to_ft", "12", "impossible_footage", "to_ft 12 comes before at_ft 20.5. Correct the two footages."),
        ),
        (
            "findings",
            "inspection_id,at_ft,kind\nA,,belly\n",
            ("at_ft", None, "missing_value", "at_ft is empty, and a row cannot do without it. Fill it in."),
        ),
        (
            "findings",
            "inspection_id,at_ft,kind\nA,somewhere,belly\n",
            ("at_ft", "somewhere", "not_a_number", "'somewhere' is not a length. Correct it, or leave it empty."),
        ),
        (
            "findings",
            "inspection_id,at_ft,kind\nA,-3,belly\n",
            ("at_ft", "-3", "out_of_range", "-3 is not possible for at_ft; 0 to 2000 is. Correct it, or leave it empty."),
        ),
        (
            "findings",
            "inspection_id,at_ft,kind\nA,3,gnomes\n",
            (
                "kind",
                "gnomes",
                "unknown_code",
                "'gnomes' is no known word for kind. Explain it under [values.kind] in the column map as one of: crack, "
                "fracture, hole, collapse, deformation, corrosion, offset_joint, separated_joint, infiltration, roots, "
                "belly, standing_water, grease, scale, debris, intruding_tap, foreign_line, material_change, "
                "diameter_change.",
            ),
        ),
        (
            "inspections",
            "inspection_id,lot_id,inspection_date\nA,L,2027-01-01\n",
            (
                "inspection_date",
                "2027-01-01",
                "date_in_future",
                "2027-01-01 is after 2026-06-30, the day of loading. Correct the date.",
            ),
        ),
        (
            "inspections",
            "inspection_id,lot_id,inspection_date\nA,L,soon\n",
            ("inspection_date", "soon", "not_a_date", "'soon' is not a date. Write it as 2024-03-31."),
        ),
        (
            "inspections",
            "inspection_id,lot_id,inspection_date\nA,L,3/4/2020\n",
            (
                "inspection_date",
                "3/4/2020",
                "ambiguous_date",
                "'3/4/2020' can be 2020-03-04 or 2020-04-03. Say which in the column map: "
                'format = "mdy" or format = "dmy".',
            ),
        ),
        (
            "inspections",
            "inspection_id,lot_id,purpose\nA,L,backup\n",
            (
                "inspection_date",
                None,
                "missing_value",
                "Neither inspection_date nor age_years is given, and one of them is needed. Fill one in.",
            ),
        ),
        (
            "inspections",
            "inspection_id,lot_id,age_years,line_drained\nA,L,40,perhaps\n",
            (
                "line_drained",
                "perhaps",
                "unknown_code",
                "'perhaps' is neither yes nor no. Correct it, or name it under true or false of this column in the map.",
            ),
        ),
        (
            "segments",
            "lot_id,sequence,install_year_min,install_year_max\nA,1,1960,1950\n",
            (
                "install_year_min",
                "1960",
                "out_of_range",
                "install_year_min 1960 is after install_year_max 1950. Correct the two years.",
            ),
        ),
        (
            "segments",
            "lot_id,sequence,install_year\nA,1,2071\n",
            (
                "install_year",
                "2071",
                "date_in_future",
                "2071 is after 2026, the year of loading. Correct it, or leave it empty.",
            ),
        ),
        (
            "segments",
            "lot_id,sequence,material\nA,1,PVC > VCP\n",
            (
                "material",
                "PVC > VCP",
                "ambiguous_material",
                "'PVC > VCP' names 2 materials where one segment has one. Give each segment its own row.",
            ),
        ),
        (
            "segments",
            "lot_id,sequence\nA,1.5\n",
            ("sequence", "1.5", "not_a_number", "'1.5' is no whole number. Correct it, or leave it empty."),
        ),
        (
            "lots",
            "lot_id,address\n1.23457E+11,12 Elm St\n",
            (
                "lot_id",
                "1.23457E+11",
                "out_of_range",
                "1.23457E+11 is an id that a spreadsheet has cut to its first digits. Format the column as text and "
                "export the file again.",
            ),
        ),
        (
            "lots",
            "lot_id,lon,lat\nA,600050,200050\n",
            None,
        ),
        (
            "lots",
            "lot_id,x\nA,12\n",
            ("y", None, "wrong_place", "x is given without y. Give both or neither."),
        ),
        (
            "lots",
            "lot_id,year_built\nA,about 1950\n",
            ("year_built", "about 1950", "not_a_number", "'about 1950' is no year. Write it as 1952, or leave it empty."),
        ),
        (
            "works",
            "lot_id,works_date,kind,from_ft,to_ft\nA,2020-01-01,lining,9,3\n",
            ("to_ft", "3", "impossible_footage", "to_ft 3 comes before from_ft 9. Correct the two footages."),
        ),
        (
            "connections",
            "lot_id,station_ft\nA,12\n",
            (
                "main_id",
                None,
                "missing_value",
                "Neither main_id nor manhole_id is given, and one of them is needed. Fill one in.",
            ),
        ),
        (
            "unit_costs",
            "method,low_usd,likely_usd,high_usd,base_year\nlining,100,90,200,2025\n",
            (
                "likely_usd",
                "90",
                "out_of_range",
                "The likely cost 90 does not lie between low 100 and high 200. Correct the costs.",
            ),
        ),
        (
            "jobs",
            "inspection_date,material_run\n2020-01-01,PVC\n",
            (
                "lot_id",
                None,
                "missing_value",
                "Neither a lot_id nor an address is given, and one of them is needed. Fill one in.",
            ),
        ),
        (
            "jobs",
            "lot_id,inspection_date,install_year\nA,2020-01-01,2022\n",
            (
                "install_year",
                "2022",
                "before_installation",
                "The inspection on 2020-01-01 comes before install_year 2022. Correct the date or the year.",
            ),
        ),
    ],
)  # fmt: skip
def test_each_fault_has_its_sentence(check_csv, layout, text, expected):
    if expected is None:
        found = check_csv(text, layout=layout)
        assert [(f[1], f[3]) for f in faults(found)] == [("lon", "wrong_place"), ("lat", "wrong_place")]
        assert faults(found)[0][4] == (
            "600050 is not possible for lon; -180 to 180 is. Are these feet or metres rather than degrees? Correct it, "
            "or leave it empty."
        )
        return
    assert one_fault(check_csv, text, layout) == expected


def test_a_row_with_two_faults_has_two_lines_and_counts_once(check_csv):
    found = check_csv("inspection_id,at_ft,kind\nA,x,gnomes\nA,1,crack\nA,2\n", layout="findings")
    assert [(row, code) for row, _, _, code, _ in faults(found)] == [
        (2, "not_a_number"),
        (2, "unknown_code"),
        (4, "malformed_row"),
    ]
    assert (found.n_read, found.n_rejected, found.tables["findings"].height) == (3, 2, 1)
    assert found.rejects["table_name"].unique().to_list() == ["findings"]


def test_frames_have_every_column_of_the_contract_typed(check_csv):
    frame = check_csv("inspection_id,at_ft,kind\n12.0,3,crack\n", layout="findings").tables["findings"]
    assert frame.columns == ["source_row", *TABLES["findings"].by_name]
    assert frame["at_ft"].dtype == pl.Float64
    assert frame["number"].dtype == pl.Int32
    assert frame["near_manhole"].dtype == pl.Boolean
    assert frame["inspection_id"].to_list() == ["12"]


def test_ids_keep_their_leading_zeros_and_lose_a_spreadsheets_decimal(check_csv):
    frame = check_csv(
        "lot_id,year_built\n007,1950\n12.0,1951\n1.50,1952\nA-1.0,1953\n", layout="lots"
    ).tables["lots"]
    assert frame["lot_id"].to_list() == ["007", "12", "1.50", "A-1.0"]


def test_year_zero_and_words_for_nothing_are_empty(check_csv):
    found = check_csv(
        "lot_id,year_built,soil,large_tree_near,x,y\nA,0,unknown,n/a,-,\nB,1950.0,expansive clay,x,1,2\nC,1950-01-01,sand,no,,\n",
        layout="lots",
    )
    assert found.n_rejected == 0
    frame = found.tables["lots"]
    assert frame["year_built"].to_list() == [None, 1950, 1950]
    assert frame["soil"].to_list() == ["unknown", "expansive_clay", "other"]
    assert frame["large_tree_near"].to_list() == [None, True, False]


def test_days_with_a_time_are_days(check_csv):
    found = check_csv(
        "inspection_id,lot_id,inspection_date\nA,L,2020-01-02 13:05:00\nB,L,2020-01-03T00:00:00.000\nC,L,2020-01-04\n",
        layout="inspections",
    )
    assert [str(day) for day in found.tables["inspections"]["inspection_date"]] == [
        "2020-01-02",
        "2020-01-03",
        "2020-01-04",
    ]


def test_day_and_month_are_told_by_the_other_rows(check_csv):
    text = "inspection_id,lot_id,inspection_date\nA,L,3/4/2020\nB,L,{}\nC,L,2020-05-01\n"
    assert check_csv(text.format("3/31/2020"), layout="inspections").tables["inspections"]["inspection_date"][
        0
    ] == date(2020, 3, 4)
    assert check_csv(text.format("31/3/2020"), layout="inspections").tables["inspections"]["inspection_date"][
        0
    ] == date(2020, 4, 3)
    assert check_csv(text.format("5/6/2020"), layout="inspections").n_rejected == 2


LAYOUT_COLUMNS = {
    "jobs": ("lot_id", "address", "inspection_date", "age_years", "year_built", "material_run", "end_ft", "overall_verdict", "install_year"),
    "findings": ("inspection_id", "at_ft", "to_ft", "kind", "near_manhole", "water_depth_in"),
    "segments": ("lot_id", "sequence", "from_ft", "to_ft", "material", "install_year_min", "install_year_max"),
}  # fmt: skip
CELLS = st.one_of(
    st.sampled_from(["", "A", "1", "12", "0", "-4", "43'6\"", "13.1 m", "2020-01-01", "3/4/2020", "31/3/2020", "1950", "2071", "PVC", "VCP/CI",
                     "CIP", "rags", "4\" PVC > VCP", "crack", "belly", "ok", "repair", "yes", "x", "unknown", "12 Elm St", "inf", "nan", "1e400", "43894"]),
    st.text(st.characters(codec="utf-8", exclude_characters="\0\r\n"), max_size=8),
)  # fmt: skip


@settings(max_examples=120)
@given(data=st.data(), layout=st.sampled_from(sorted(LAYOUT_COLUMNS)))
def test_accepted_and_rejected_make_read(data, layout):
    names = LAYOUT_COLUMNS[layout]
    rows = data.draw(
        st.lists(st.lists(CELLS, min_size=len(names), max_size=len(names)), min_size=1, max_size=8)
    )
    frame = pl.DataFrame(
        [(n, *(cell or None for cell in row)) for n, row in enumerate(rows, start=2)],
        schema={"source_row": pl.Int64} | {f"c{i}": pl.String for i in range(1, len(names) + 1)},
        orient="row",
    )
    with tempfile.TemporaryDirectory() as folder:
        raw = readers.RawRows(Path(folder) / "rows.csv", "0" * 64, None, names, frame, readers.no_rejects())
        column_map = ColumnMap(layout, {name: ColumnRule(headers=(name,)) for name in names})
        found = validate.check(raw, column_map, today=date(2026, 6, 30))
    main = found.tables["inspections" if layout == "jobs" else layout]
    accepted, rejected = set(main["source_row"]), set(found.rejects["source_row"])
    assert found.n_read == len(rows)
    assert not accepted & rejected
    assert accepted | rejected == set(frame["source_row"])
    assert found.rejects.columns == list(REJECT_SCHEMA)
    assert found.rejects.select("column_name", "reason_code", "reason").null_count().row(0) == (0, 0, 0)
    for table in found.tables.values():
        assert set(table["source_row"]) <= accepted


@pytest.mark.parametrize("word", ["N/A", "#N/A", "#REF!", "unknown", " - ", "#NAME?"])
def test_a_word_for_nothing_is_no_name_of_a_place(check_csv, word):
    text = f"lot_id,address,block,subdivision\n{word},1 Elm St,B1,S1\nL2,{word},{word},{word}\n"
    found = check_csv(text, layout="lots")
    # All rows that carry it would become one lot, or one block.
    assert found.rejects["column_name"].to_list() == ["lot_id"]
    kept = found.tables["lots"].select("lot_id", "address", "block", "subdivision").rows()
    assert kept == [("L2", None, None, None)]
