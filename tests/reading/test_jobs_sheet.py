"""One row per inspection: split into lots, inspections and segments."""

import polars as pl
import pytest

from pipeline.validation.addresses import address_keys


@pytest.mark.parametrize(
    ("same", "key"),
    [
        (["12 Elm Street", "12 ELM ST.", " 12  elm st", "12 Elm St,", "12, Elm Str"], "12 ELM ST"),
        (["4 North Oak Avenue", "4 N. Oak Ave", "4 N OAK AV"], "4 N OAK AVE"),
        (["7 North Street", "7 north st"], "7 NORTH ST"),
        (["9 Elm St Apt 3", "9 Elm Street #3", "9 ELM ST UNIT 3", "9 Elm St # 3"], "9 ELM ST #3"),
        (["10 O'Hara Ct", "10 OHara Court"], "10 OHARA CT"),
        (["Broadway"], "BROADWAY"),
        (["5 Avenue Road", "5 Avenue Rd."], "5 AVENUE RD"),
    ],
)
def test_spellings_of_one_address(same, key):
    # Abbreviations: USPS Publication 28, appendix C1.
    found = address_keys(pl.Series(same)).to_list()
    assert found == [key] * len(same)


def test_different_lots_stay_apart():
    texts = [
        "12 Elm St",
        "12 Elm Ct",
        "112 Elm St",
        "12 Elm St #2",
        "12 N Elm St",
        "12 S Elm St",
        "12 1/2 Elm St",
    ]
    assert address_keys(pl.Series(texts)).n_unique() == len(texts)
    assert address_keys(pl.Series(["", "  ", "-", None])).null_count() == 4


HEAD = "address,inspection_date,year_built,material_run,end_ft,diameter_in,install_year,overall_verdict\n"


def test_a_row_becomes_a_lot_an_inspection_and_segments(check_csv):
    found = check_csv(
        HEAD + '12 Elm Street,2020-05-04,1950,"4"" PVC > 6"" VCP (orig.)",45 ft,,1951,needs repair\n'
    )
    (lot,) = found.tables["lots"].rows(named=True)
    (look,) = found.tables["inspections"].rows(named=True)
    first, second = found.tables["segments"].rows(named=True)
    assert (lot["lot_id"], lot["address"], lot["year_built"]) == ("12 ELM ST", "12 Elm Street", 1950)
    assert look["inspection_id"] == "12 ELM ST @ 2020-05-04"
    assert (look["lot_id"], look["end_ft"], look["overall_verdict"]) == ("12 ELM ST", 45, "repair")
    assert (first["sequence"], first["material"], first["diameter_in"], first["install_year"]) == (
        1,
        "pvc",
        4,
        None,
    )
    # The year is that of the pipe laid with the house; nobody wrote when the newer piece was laid.
    assert (second["sequence"], second["material"], second["diameter_in"], second["install_year"]) == (
        2,
        "vitrified_clay",
        6,
        1951,
    )
    for segment in (first, second):
        assert segment["observed_by"] == look["inspection_id"]
        assert (segment["from_ft"], segment["to_ft"]) == (None, None)


def test_a_single_segment_reaches_over_the_length(check_csv):
    found = check_csv(HEAD + "12 Elm Street,2020-05-04,1950,VCP,45,6,1951,ok\n")
    (segment,) = found.tables["segments"].rows(named=True)
    assert (segment["from_ft"], segment["to_ft"], segment["diameter_in"], segment["install_year"]) == (
        0,
        45,
        6,
        1951,
    )


def test_unreadable_material_rejects_and_blank_is_unknown(check_csv):
    found = check_csv(
        HEAD
        + "1 Elm,2020-05-04,,,45,,,ok\n2 Elm,2020-05-04,,unknown,45,,,ok\n3 Elm,2020-05-04,,CIP,45,,,ok\n4 Elm,2020-05-04,,rags,45,,,ok\n"
    )
    assert found.tables["segments"].select("source_row", "material").rows() == [
        (2, "unknown"),
        (3, "unknown"),
    ]
    assert found.rejects.select("source_row", "column_name", "value", "reason_code").rows() == [
        (4, "material_run", "CIP", "ambiguous_material"),
        (5, "material_run", "rags", "unknown_material"),
    ]


def test_ids_depend_on_what_the_rows_say(check_csv):
    rows = [
        "1 Elm St,2020-05-04,,VCP,45,,,ok\n",
        "1 Elm Street,2020-05-04,,VCP,45,,,ok\n",  # an upper case away from the first, so not the same words
        "1 Elm St,2020-05-04,,VCP,12,,,ok\n",
        "1 Elm St,2020-05-04,,VCP,45,,,ok\n",  # the first again
        "1 Elm St,2021-05-04,,VCP,45,,,ok\n",
    ]
    ids = check_csv(HEAD + "".join(rows)).tables["inspections"]["inspection_id"].to_list()
    assert ids == [
        "1 ELM ST @ 2020-05-04",
        "1 ELM ST @ 2020-05-04 #2",
        "1 ELM ST @ 2020-05-04 #3",
        "1 ELM ST @ 2020-05-04",
        "1 ELM ST @ 2021-05-04",
    ]


def test_an_age_stands_for_a_date(check_csv):
    found = check_csv("lot_id,age_years,material_run\n2.0,47,PVC\n")
    assert found.tables["inspections"].select("inspection_id", "lot_id", "age_years").rows() == [
        ("2 @ age 47", "2", 47)
    ]


def test_given_ids_are_kept(check_csv):
    found = check_csv("inspection_id,lot_id,address,inspection_date\nJ1,L7,1 Elm St,2020-05-04\n")
    assert found.tables["inspections"].select("inspection_id", "lot_id").rows() == [("J1", "L7")]
    assert found.tables["segments"].select("lot_id", "observed_by", "material").rows() == [
        ("L7", "J1", "unknown")
    ]
