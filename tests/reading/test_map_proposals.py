"""Proposed maps: layout, columns, units, and what is left for a person to say."""

import pytest

from pipeline import readers
from pipeline.column_map import ColumnMap, propose
from pipeline.columns import LAYOUTS
from pipeline.errors import InputFileError, SettingsError


@pytest.fixture
def proposal(tmp_path, today):
    def make(text, **kwargs):
        path = tmp_path / "rows.csv"
        path.write_text(text, encoding="utf-8")
        return propose(readers.read(path), today=today, **kwargs)

    return make


def placed(found):
    return {name: rule.headers[0] for name, rule in found.map.columns.items()}


@pytest.mark.parametrize("layout", sorted(LAYOUTS))
def test_canonical_headers_map_themselves(proposal, layout):
    names = list(LAYOUTS[layout].by_name)
    found = proposal(",".join(names) + "\n" + ",".join("1" for _ in names) + "\n")
    assert found.map.layout == layout
    assert placed(found) == {name: name for name in names}
    assert found.unplaced == ()
    assert found.is_complete


def test_an_inspectors_sheet(proposal):
    found = proposal(
        "Job #,Date of inspection,Property Address,Yr Built,Pipe Material,Length (m),Result,Inspector,Paid\n"
        "1,3/4/2020,1 Elm St,1950,4 in PVC > VCP,13.1,ok,A,yes\n"
        "2,3/31/2020,2 Elm St,1951,CIP,12,kaputt,A,no\n"
    )
    assert placed(found) == {
        "address": "Property Address",
        "year_built": "Yr Built",
        "inspection_id": "Job #",
        "inspection_date": "Date of inspection",
        "end_ft": "Length (m)",
        "overall_verdict": "Result",
        "operator": "Inspector",
        "material_run": "Pipe Material",
    }
    assert found.map.columns["end_ft"].unit == "m"
    assert found.unplaced == ("Paid",)
    assert found.is_complete
    assert found.notes == (
        "The layout looks like 'jobs' (One row per inspection, as most inspectors keep it), from 8 of its 35 columns.",
        "'Length (m)' is read in m, as its header says.",
        "'Result' has words to explain: 'kaputt'. Say what they mean under [values.overall_verdict], or rows with "
        "them are rejected.",
        "'Pipe Material' has words to explain: 'CIP'. Say what they mean under [values.material], or rows with them "
        "are rejected.",
    )
    assert ColumnMap.from_toml(found.map.to_toml()) == found.map


def test_the_unit_taken_for_bare_numbers_is_told(proposal):
    found = proposal('address,date,length,dia\n1 Elm St,2020-05-04,12 m,4\n2 Elm St,2020-05-05,12.5,4"\n')
    assert found.notes[1:] == (
        "'length' has numbers such as 12.5 without a unit; they are read in feet, unless you add a unit to its section.",
        "'dia' has numbers such as 4 without a unit; they are read in inches, unless you add a unit to its section.",
    )


def test_ambiguous_dates_are_told(proposal):
    found = proposal("address,date\n1 Elm St,3/4/2020\n2 Elm St,5/6/2020\n")
    assert (
        "'date' has dates such as 3/4/2020 whose day and month cannot be told apart; add format = \"mdy\" or "
        'format = "dmy" to its section, or these rows are rejected.'
    ) in found.notes


def test_a_date_that_is_the_same_in_either_order_is_not_called_ambiguous(proposal):
    found = proposal("address,date\n1 Elm St,4/4/2020\n2 Elm St,5/6/2020\n")
    assert any("has dates such as 5/6/2020" in note for note in found.notes)
    alone = proposal("address,date\n1 Elm St,4/4/2020\n2 Elm St,5/5/2020\n")
    assert not any("cannot be told apart" in note for note in alone.notes)


@pytest.mark.parametrize(
    ("header", "column"),
    [
        ("Length ft", "end_ft"),
        ("LENGTH_FT", "end_ft"),
        ("Length, feet", "end_ft"),
        ("Line length (ft)", "end_ft"),
        ("Dia in", "diameter_in"),
        ("Dia., in.", "diameter_in"),
        ("Avg depth ft", "depth_ft"),
        ("Pipe age yrs", "age_years"),
        ("House blt.", "year_built"),
        ("Yr. Blt", "year_built"),
        ("House built", "year_built"),
    ],
)
def test_headers_that_end_in_a_unit_or_shorten_a_word_are_placed(proposal, header, column):
    # Headings as inspectors write them; common practice.
    found = proposal(f'address,date,verdict,"{header}"\n1 Elm St,2020-05-04,ok,6\n', layout="jobs")
    assert placed(found).get(column) == header


def test_of_columns_with_one_header_the_first_is_taken_and_the_others_told(proposal):
    found = proposal("address,date,date,length\n1 Elm St,2020-05-04,2021-05-04,40\n", layout="jobs")
    assert placed(found)["inspection_date"] == "date"
    assert found.unplaced == ("date (2)",)
    assert (
        "2 columns are headed 'date'; the first is taken. If it should be another, name that one in the map as "
        "'date (2)'."
    ) in found.notes


def test_a_list_of_houses_is_no_list_of_inspections(proposal):
    # More of its headers are columns of "jobs", but without a date no row of it could be loaded as one.
    found = proposal("parcel,address,year built,pipe material,depth\n007,1 Elm St,1950,PVC,4\n")
    assert found.map.layout == "lots"
    assert found.unplaced == ("pipe material", "depth")


def test_what_is_missing_is_named(proposal):
    found = proposal("address,year built,pipe material\n1 Elm St,1950,PVC\n", layout="jobs")
    assert found.missing == ("inspection_date or age_years",)
    assert not found.is_complete
    found = proposal("defect,footage\nroots,12\n", layout="findings")
    assert found.missing == ("inspection_id",)


def test_date_and_material_are_known_by_their_values(proposal):
    found = proposal(
        "address,wann,woraus\n1 Elm St,2020-05-04,VCP\n2 Elm St,2020-05-05,4 in PVC > VCP\n3 Elm St,2020-05-06,ABS\n",
        layout="jobs",
    )
    assert placed(found) == {"address": "address", "inspection_date": "wann", "material_run": "woraus"}


def test_a_likely_header_over_unlikely_values_is_not_taken(proposal):
    found = proposal("address,date,length\n1 Elm St,see file,long\n2 Elm St,ask,short\n", layout="jobs")
    assert placed(found) == {"address": "address"}
    assert found.unplaced == ("date", "length")


def test_decimal_comma_is_noticed(proposal):
    found = proposal("lot_id;inspection_date;length\nA;2020-01-01;12,5\nB;2020-01-02;9,25\n")
    assert found.map.decimal == ","
    assert "Numbers are written with a decimal comma." in found.notes


def test_misspelt_headers_are_placed(proposal):
    found = proposal("Adress,Inspection Dat,Matrial\n1 Elm St,2020-01-01,PVC\n")
    assert placed(found) == {
        "address": "Adress",
        "inspection_date": "Inspection Dat",
        "material_run": "Matrial",
    }


def test_no_header_fits(proposal):
    with pytest.raises(InputFileError) as caught:
        proposal("foo;bar\nquux;7\n")
    assert str(caught.value) == (
        "rows.csv: no header looks like a column of any layout (foo, bar). Choose another sheet or header row, or "
        "write a column map and give it with --map."
    )


def test_no_such_layout(proposal):
    with pytest.raises(SettingsError, match=r"^There is no layout 'job'. Layouts: lots, "):
        proposal("address\n1 Elm St\n", layout="job")


def test_a_heap_of_1900_is_told(proposal):
    years = ["1900"] * 6 + ["1948", "1952", "1901"]
    found = proposal(
        "address,date,year built\n" + "".join(f"{i} Elm St,2020-05-04,{y}\n" for i, y in enumerate(years))
    )
    assert (
        '\'year built\' has the year 1900 in 6 rows. If that stands for "not known", add blank = ["1900"] to its section.'
    ) in found.notes
    few = proposal("address,date,year built\n1 Elm St,2020-05-04,1900\n2 Elm St,2020-05-04,1901\n")
    assert not any("1900" in note for note in few.notes)


def test_a_material_column_in_foreign_words_is_placed_and_its_words_told(proposal):
    found = proposal(
        "Address,Date,Pipe Material,Result\n1 Elm St,2020-03-31,Steinzeug,ok\n2 Elm St,2020-04-30,Beton,ok\n"
    )
    assert placed(found)["material_run"] == "Pipe Material"
    assert any("'Steinzeug', 'Beton'" in note and "[values.material]" in note for note in found.notes)
