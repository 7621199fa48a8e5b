"""The invented records are whole: named as the contract says, inside their limits, consistent with each other."""

from __future__ import annotations

import json
import zipfile
from pathlib import Path

import polars as pl
import pytest
import shapely

from pipeline.columns import TABLES as CONTRACT
from synthetic_data.write import generate


def test_same_seed_gives_the_same_bytes(tmp_path: Path) -> None:
    first = generate(tmp_path / "a", n_lots=900, seed=5)
    second = generate(tmp_path / "b", n_lots=900, seed=5)
    other = generate(tmp_path / "c", n_lots=900, seed=6)
    names = [path.relative_to(first.folder) for path in first.files]
    assert names == [path.relative_to(second.folder) for path in second.files]
    assert len(names) == 9 + 1 + 8 + 1
    for name in names:
        assert (first.folder / name).read_bytes() == (second.folder / name).read_bytes(), name
    assert (first.folder / "findings.csv").read_bytes() != (other.folder / "findings.csv").read_bytes()


def test_parquet_holds_the_same_rows(tmp_path: Path) -> None:
    generate(tmp_path / "csv", n_lots=900, seed=5)
    generate(tmp_path / "parquet", n_lots=900, seed=5, parquet=True)
    text = pl.read_csv(tmp_path / "csv" / "findings.csv", infer_schema_length=None)
    typed = pl.read_parquet(tmp_path / "parquet" / "findings.parquet")
    assert text.equals(typed)


def test_too_small_a_town_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="at least 500 lots, not 499"):
        generate(tmp_path / "none", n_lots=499, seed=1)
    assert not (tmp_path / "none").exists()


@pytest.mark.parametrize("name", list(CONTRACT))
def test_records_keep_to_the_contract(town, name: str) -> None:
    table, frame = CONTRACT[name], town.tables[name]
    assert frame.columns == [column.name for column in table.columns]
    assert frame.height == town.summary.n_rows[name]
    for column in table.columns:
        values = frame[column.name].drop_nulls()
        if column.required:
            assert values.len() == frame.height, column.name
        if column.codes is not None:
            assert set(values) <= set(column.codes.codes()), column.name
        if column.low is not None and values.len():
            assert values.min() >= column.low, column.name
        if column.high is not None and values.len():
            assert values.max() <= column.high, column.name
    assert frame.select(table.key).is_unique().all()


def test_description_says_that_all_is_invented(town) -> None:
    description = json.loads((town.folder / "town.json").read_text(encoding="utf-8"))
    assert description["synthetic"] is True
    assert description["seed"] == 20260630
    assert description["n_lots"] == 12_000
    assert set(description["detection"]) == {"structural", "roots_joints", "grade", "any"}


def test_every_record_belongs_to_a_lot(town) -> None:
    lots = town.tables["lots"]["lot_id"]
    assert lots.str.len_chars().unique().to_list() == [9]
    assert lots.str.starts_with("00").all()
    for name in ("segments", "inspections", "works", "connections"):
        assert town.tables[name]["lot_id"].is_in(lots.implode()).all(), name
    inspections = town.tables["inspections"]["inspection_id"]
    assert town.tables["findings"]["inspection_id"].is_in(inspections.implode()).all()
    mains = town.tables["mains"]["main_id"]
    assert town.tables["connections"]["main_id"].is_in(mains.implode()).all()


def test_lots_are_rectangles_that_hold_their_building_and_do_not_overlap(town) -> None:
    lots = town.tables["lots"].head(800)
    outlines = shapely.from_wkt(lots["outline_wkt"].to_list())
    assert shapely.is_valid(outlines).all()
    assert (shapely.get_num_coordinates(outlines) == 5).all()
    assert shapely.contains(outlines, shapely.points(lots["x"].to_numpy(), lots["y"].to_numpy())).all()
    whole = shapely.union_all(outlines)
    assert whole.area == pytest.approx(shapely.area(outlines).sum(), rel=1e-6)
    assert town.tables["lots"]["address"].is_unique().all()


def test_mains_run_past_their_lots(town) -> None:
    joined = (
        town.tables["connections"]
        .join(town.tables["mains"], on="main_id")
        .join(town.tables["lots"].select("lot_id", "x", "y"), on="lot_id")
    )
    lines = shapely.from_wkt(joined["outline_wkt"].to_list())
    distance = shapely.distance(lines, shapely.points(joined["x"].to_numpy(), joined["y"].to_numpy()))
    # Half a street and the set-back of the house.
    assert distance.max() <= 30 + 40 + 0.1
    on_line = joined.filter(pl.col("manhole_id").is_null() & pl.col("station_ft").is_not_null())
    west = on_line["outline_wkt"].str.extract(r"\((\S+) ", 1).cast(pl.Float64)
    assert ((west + on_line["station_ft"]) - on_line["x"]).abs().max() < 0.11


def test_segments_follow_each_other_from_house_to_main(town) -> None:
    segments = town.tables["segments"].sort("lot_id", "sequence")
    assert segments["observed_by"].null_count() == segments.height
    before = segments.select(pl.col("to_ft").shift(1).over("lot_id"))["to_ft"].fill_null(0.0)
    assert (segments["from_ft"] == before).all()
    assert (segments["to_ft"] - segments["from_ft"]).min() >= 6.0
    count = segments.group_by("lot_id").len()["len"]
    assert set(count) == {1, 2, 3, 4}


def test_neighbouring_pipes_differ(town) -> None:
    lives = town.truth["lives"].filter(pl.col("ended_year").is_null()).sort("lot_id", "sequence")
    bore = town.tables["segments"].select("lot_id", "sequence", "diameter_in")
    lives = lives.join(bore, on=["lot_id", "sequence"], how="left", maintain_order="left")
    same = lives.select(
        pl.all_horizontal(
            (pl.col(name) == pl.col(name).shift(1)).over("lot_id")
            for name in ("material", "laid_year", "diameter_in")
        ).fill_null(False)
    )
    assert not same.to_series().any()


def test_findings_lie_within_the_footage_reached(town) -> None:
    segments = town.tables["segments"]
    line = segments.group_by("lot_id").agg(pl.col("to_ft").max().alias("line_ft"))
    runs = (
        town.tables["inspections"]
        .join(line, on="lot_id")
        .with_columns(pl.col("end_ft").fill_null(pl.col("line_ft")).alias("reached_ft"))
    )
    assert (runs["reached_ft"] <= runs["line_ft"]).all()
    complete = runs.filter("reached_tie_in")
    assert (complete["reached_ft"] == complete["line_ft"]).all()
    assert complete["abandoned_reason"].null_count() == complete.height
    assert runs.filter(~pl.col("reached_tie_in"))["abandoned_reason"].null_count() == 0
    findings = town.tables["findings"].join(runs, on="inspection_id")
    assert (findings["at_ft"] <= findings["reached_ft"]).all()
    assert (findings["to_ft"].fill_null(0.0) <= findings["reached_ft"]).all()
    stretch = findings.filter(pl.col("to_ft").is_not_null())
    assert (stretch["to_ft"] > stretch["at_ft"]).all()
    collapse = findings.filter(pl.col("kind") == "collapse")
    assert collapse.height > 0
    assert (collapse["at_ft"] == collapse["reached_ft"]).all()
    assert (collapse["abandoned_reason"] == "collapse").all()


def test_stretches_of_water_stay_inside_their_segment(town) -> None:
    findings = town.tables["findings"].filter(pl.col("kind") == "belly")
    lots = town.tables["inspections"].select("inspection_id", "lot_id")
    joined = findings.join(lots, on="inspection_id").join(
        town.tables["segments"].select("lot_id", "from_ft", pl.col("to_ft").alias("segment_to_ft")),
        on="lot_id",
    )
    inside = joined.filter(
        (pl.col("from_ft") <= pl.col("at_ft")) & (pl.col("to_ft") <= pl.col("segment_to_ft"))
    )
    assert inside.height == findings.height


def test_a_run_has_findings_or_an_overall_verdict_never_both_or_neither(town) -> None:
    runs = town.tables["inspections"]
    noted = runs["inspection_id"].is_in(town.tables["findings"]["inspection_id"].unique().implode())
    assert (noted == runs["overall_verdict"].is_null()).all()


def test_no_look_or_works_before_the_pipe_and_none_after_the_last_day(town) -> None:
    last_day = pl.date(2026, 6, 30)
    assert town.tables["inspections"].select((pl.col("inspection_date") <= last_day).all()).item()
    assert town.tables["inspections"]["inspection_date"].dt.year().min() == 2008
    assert town.tables["works"].select((pl.col("works_date") <= last_day).all()).item()
    first = town.truth["lives"].group_by("lot_id").agg(pl.col("laid_year").min().floor())
    looks = town.tables["inspections"].join(first, on="lot_id")
    assert (looks["inspection_date"].dt.year() >= looks["laid_year"]).all()
    segments = town.tables["segments"]
    ranged = segments.filter(pl.col("install_year_min").is_not_null())
    assert (ranged["install_year_min"] <= ranged["install_year_max"]).all()
    assert ranged["install_year"].null_count() == ranged.height


def test_gaps_are_as_wide_as_in_the_field(town) -> None:
    segments, runs = town.tables["segments"], town.tables["inspections"]
    unknown = segments.select((pl.col("material").fill_null("unknown") == "unknown").mean()).item()
    assert 0.10 <= unknown <= 0.20
    undated = segments.select(
        pl.all_horizontal(pl.col("install_year", "install_year_min").is_null()).mean()
    ).item()
    assert 0.25 <= undated <= 0.45
    assert 0.40 <= runs["lot_id"].n_unique() / 12_000 <= 0.50
    assert 0.07 <= 1 - runs["reached_tie_in"].mean() <= 0.13
    assert 0.13 <= runs["overall_verdict"].is_not_null().mean() <= 0.17
    assert 0.08 <= runs["line_drained"].is_null().mean() <= 0.12
    assert 0.06 <= (~runs["line_drained"]).sum() / runs.height <= 0.10
    assert runs["lot_id"].is_duplicated().any()
    exact = segments["install_year"].drop_nulls()
    # A fifth of all years end in 0 or 5 by chance; heaping lifts that.
    assert (exact % 5 == 0).mean() > 0.28


def test_workbook_has_its_header_three_rows_down_and_is_a_mess(town) -> None:
    sheet = pl.read_excel(
        town.folder / "jobs.xlsx", has_header=False, read_options={"header_row": None}, infer_schema_length=0
    )
    # The reader drops empty rows, here row 3.
    assert sheet.row(2)[:4] == ("Job #", "Date", "Address", "Yr Built")
    jobs = sheet.slice(3)
    lengths = jobs["column_6"].drop_nulls()
    for form in (r"^\d+(\.\d+)?$", r"'$", r"\d m$", r"\dft$", r" ft$", r" feet$"):
        assert lengths.str.contains(form).any(), form
    days = jobs["column_1"].drop_nulls()
    for form in (
        r"^\d{4}-\d\d-\d\d$",
        r"^\d+/\d+/\d{4}$",
        r"^\d+-[A-Z][a-z]{2}-\d\d$",
        r"^[A-Z][a-z]+ \d+, \d{4}$",
    ):
        assert days.str.contains(form).any(), form
    runs = jobs["column_5"].drop_nulls()
    for form in (r'^\d" .+ > \d" .+$', r"\(orig\.\)$", "V\\.C\\.P\\.", "terra cota", '^[^"]+$'):
        assert runs.str.contains(form).any(), form
    assert jobs["column_3"].null_count() > 0.1 * jobs.height
    assert jobs["column_0"].str.contains("TOTAL").sum() == 1
    with zipfile.ZipFile(town.folder / "jobs.xlsx") as book:
        xml = book.read("xl/worksheets/sheet1.xml").decode()
        assert xml.count("<mergeCell ") == 4
        # True spreadsheet dates stand beside the written ones.
        assert 'formatCode="m/d/yyyy"' in book.read("xl/styles.xml").decode()


def test_workbook_key_points_at_the_rows(town) -> None:
    sheet = pl.read_excel(
        town.folder / "jobs.xlsx", has_header=False, read_options={"header_row": None}, infer_schema_length=0
    )
    # Row 3 is empty and dropped by the reader, so row r of the sheet is entry r - 2.
    key = town.truth["jobs_key"].join(
        town.tables["lots"].select("lot_id", "address"), on="lot_id", maintain_order="left"
    )
    rows = [sheet.row(row - 2) for row in key["source_row"]]
    assert [row[2] for row in rows] == key["address"].to_list()
    iso = [(row[1], day) for row, day in zip(rows, key["inspection_date"], strict=True) if row[1][4:5] == "-"]
    assert len(iso) > 100
    assert all(text[:10] == day.isoformat() for text, day in iso)
    for source_row, repeated in key.select("source_row", "duplicate_of").drop_nulls().iter_rows():
        assert sheet.row(source_row - 2) == sheet.row(repeated - 2)
    assert 0.005 <= key["duplicate_of"].is_not_null().mean() <= 0.03
    metric = [(row[6], ft) for row, ft in zip(rows, key["length_ft"], strict=True) if row[6].endswith(" m")]
    assert all(float(text[:-2]) == pytest.approx(ft * 0.3048, abs=0.051) for text, ft in metric)
    runs = town.tables["inspections"].select("inspection_id", "lot_id", "inspection_date")
    assert key.join(runs, on=["inspection_id", "lot_id", "inspection_date"]).height == key.height
