"""Column maps: TOML in and out, and a sentence for each thing a map can get wrong."""

import pytest

from pipeline import readers, validate
from pipeline.column_map import ColumnMap
from pipeline.errors import ColumnError, SettingsError

GOOD = """
layout = "jobs"
sheet = "Jobs"
header_row = 4
delimiter = ";"
decimal = ","
grid = 2227

[columns.address]
from = ["No", "Street"]

[columns.inspection_date]
from = "Day"
format = ["dmy", "%d %b %Y"]

[columns.end_ft]
from = "Length"
unit = "m"

[columns.purpose]
value = "pre_sale"

[columns.year_built]
from = "Built"
blank = ["1900"]

[columns.line_drained]
from = "Drained"
true = ["Ja"]
false = ["Nein"]

[columns.material_run]
from = "Pipe"

[values.material]
"CIP" = "cast_iron"
"VCP/CI" = "vitrified_clay > cast_iron"
"see note" = ""

[values.overall_verdict]
"No Issues Found" = "serviceable"
"""


def test_a_map_is_read_and_written_back_the_same():
    first = ColumnMap.from_toml(GOOD)
    assert (first.layout, first.grid) == ("jobs", 2227)
    assert first.columns["address"].headers == ("No", "Street")
    assert first.columns["line_drained"].true_words == ("ja",)
    assert first.values["overall_verdict"] == {"no issues found": "serviceable"}
    assert ColumnMap.from_toml(first.to_toml()) == first


def fault(text):
    with pytest.raises(SettingsError) as caught:
        ColumnMap.from_toml(text, name="mine.toml")
    return str(caught.value)


COLUMN = '\n[columns.end_ft]\nfrom = "Length"\n'


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("layout = ", "mine.toml: this is not valid TOML: Invalid value (at end of document)."),
        (
            COLUMN,
            'mine.toml: it does not say the layout. Add a line such as layout = "jobs" (lots, segments, inspections, '
            "findings, works, mains, manholes, connections, unit_costs, jobs).",
        ),
        (
            'layout = "job"' + COLUMN,
            "mine.toml: there is no layout 'job'. Did you mean 'jobs'? Layouts: lots, segments, inspections, findings, "
            "works, mains, manholes, connections, unit_costs, jobs.",
        ),
        ('layout = "jobs"', "mine.toml: it maps no columns. Add at least one [columns.<name>] section."),
        (
            'layout = "jobs"\nheaderrow = 3' + COLUMN,
            "mine.toml: the map has an unknown key 'headerrow'. Did you mean 'header_row'? Known keys: layout, sheet, "
            "header_row, delimiter, decimal, grid, columns, values.",
        ),
        (
            'layout = "jobs"\nheader_row = "4"' + COLUMN,
            "mine.toml: header_row is '4'; it must be a row number, 1 or more.",
        ),
        (
            'layout = "jobs"\ngrid = "feet"' + COLUMN,
            "mine.toml: grid is 'feet'; it must be an EPSG code such as 2227, or \"local\" for a grid of feet without one.",
        ),
        (
            'layout = "jobs"\ndecimal = ";"' + COLUMN,
            'mine.toml: decimal is \';\'; it must be "." or ",".',
        ),
        (
            'layout = "jobs"\ndelimiter = ";;"' + COLUMN,
            "mine.toml: delimiter is ';;'; it must be one character.",
        ),
        (
            'layout = "manholes"\n[columns.manhole]\nfrom = "MH"',
            "mine.toml: layout 'manholes' has no column 'manhole'. Did you mean 'manhole_id'? Columns: manhole_id, x, "
            "y, depth_ft.",
        ),
        (
            'layout = "jobs"\n[columns.end_ft]\nfrm = "Length"',
            "mine.toml: [columns.end_ft] has an unknown key 'frm'. Did you mean 'from' or 'format'? Known keys: from, "
            "unit, format, value, true, false, blank.",
        ),
        (
            'layout = "jobs"\n[columns.end_ft]\nunit = "m"',
            'mine.toml: [columns.end_ft] needs either from = "Header" or value = "…", and not both.',
        ),
        (
            'layout = "jobs"\n[columns.end_ft]\nfrom = "Length"\nunit = "miles"',
            "mine.toml: [columns.end_ft] has unit 'miles'. Units: ft, in, m, cm, mm, yd.",
        ),
        (
            'layout = "jobs"\n[columns.address]\nfrom = "Address"\nunit = "m"',
            "mine.toml: [columns.address] has unit 'm'. This column has no unit.",
        ),
        (
            'layout = "jobs"\n[columns.inspection_date]\nfrom = "Date"\nformat = "US"',
            'mine.toml: [columns.inspection_date] has format \'US\'; a date column takes "mdy", "dmy", "ymd" or a '
            'pattern such as "%d.%m.%Y", other columns take none.',
        ),
        (
            'layout = "jobs"\n[columns.end_ft]\nfrom = 3',
            "mine.toml: from of [columns.end_ft] is 3; it must be text in quotation marks, or a list of such.",
        ),
        (
            'layout = "jobs"' + COLUMN + '[values.overall_verdict]\n"ok" = "servicable"',
            "mine.toml: [values.overall_verdict]: 'ok' is mapped to 'servicable', which is no code of overall_verdict. "
            "Did you mean 'serviceable'? Codes: serviceable, monitor, repair, replace.",
        ),
        (
            'layout = "jobs"' + COLUMN + '[values.line_drained]\n"ja" = "yes"',
            "mine.toml: [values.line_drained]: line_drained is not filled from a list of codes. Use true and false in "
            "its [columns] section.",
        ),
        (
            'layout = "jobs"' + COLUMN + '[values.verdict]\n"ok" = "serviceable"',
            None,
        ),
        (
            'layout = "jobs"' + COLUMN + '[values.material]\n"CIP" = "castiron"',
            None,
        ),
        ('layout = "jobs"\ncolumns = 3', "mine.toml: [columns] must hold one section per column, such as [columns.lot_id]."),
    ],
)  # fmt: skip
def test_faults_of_a_map(text, message):
    said = fault(text)
    if message is None:
        assert "Did you mean" in said
    else:
        assert said == message


def test_a_map_file_that_cannot_be_read(tmp_path):
    with pytest.raises(SettingsError) as caught:
        ColumnMap.from_file(tmp_path / "no.toml")
    assert str(caught.value) == (
        "no.toml: the column map cannot be read (No such file or directory). Check the path given to --map."
    )
    (tmp_path / "bad.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(
        SettingsError, match=r"^bad.toml: the column map is not UTF-8 text. Save it as UTF-8.$"
    ):
        ColumnMap.from_file(tmp_path / "bad.toml")


def test_a_header_that_the_file_lacks(tmp_path, today):
    path = tmp_path / "rows.csv"
    path.write_text("Adress,Day\n1 Elm St,2020-01-01\n")
    column_map = ColumnMap.from_toml('layout = "jobs"\n[columns.address]\nfrom = "Address"\n')
    with pytest.raises(ColumnError) as caught:
        validate.check(readers.read(path), column_map, today=today)
    assert str(caught.value) == (
        "rows.csv, column 'Address': the column map names this header, but the file does not have it. "
        "Did you mean 'Adress'?"
    )


def test_headers_match_without_case_and_spaces(check_csv):
    found = check_csv(
        "ADDRESS ,date\n1 Elm St,2020-01-01\n",
        'layout = "jobs"\n[columns.address]\nfrom = "Address"\n[columns.inspection_date]\nfrom = "Date"\n',
    )
    assert found.tables["lots"]["lot_id"].to_list() == ["1 ELM ST"]


def test_what_a_map_can_say_is_done(check_csv):
    rows = (
        "No;Street;Day;Length;Built;Drained;Pipe;overall\n"
        "12;Elm Street;3/4/2020;10,5;1900;Ja;CIP;no issues  found\n"
        "14;Elm Street;4 May 2020;1.010,5;1950;nein;VCP/CI;No issues found\n"
        "16;Elm Street;5.6.2020;;1951;;see note;\n"
    )
    toml = GOOD.replace("header_row = 4\n", "") + '[columns.overall_verdict]\nfrom = "overall"\n'
    found = check_csv(rows, toml)
    assert found.rejects.select("source_row", "column_name", "reason_code").rows() == [
        (3, "end_ft", "out_of_range")
    ]
    looks, lots = found.tables["inspections"], found.tables["lots"]
    assert [str(day) for day in looks["inspection_date"]] == ["2020-04-03", "2020-06-05"]
    assert looks["end_ft"].to_list() == [pytest.approx(10.5 / 0.3048), None]
    assert looks["purpose"].to_list() == ["pre_sale"] * 2
    assert looks["line_drained"].to_list() == [True, None]
    assert looks["overall_verdict"].to_list() == ["serviceable", None]
    assert lots["year_built"].to_list() == [None, 1951]
    assert lots["lot_id"].to_list() == ["12 ELM ST", "16 ELM ST"]
    assert found.tables["segments"]["material"].to_list() == ["cast_iron", "unknown"]
