"""The invented inspector's workbook, against the key that its maker wrote beside it."""

from datetime import date
from pathlib import Path

import polars as pl
import pytest

from pipeline import readers, validate
from pipeline.column_map import ColumnMap, propose
from synthetic_data.write import generate

TODAY = date(2026, 6, 30)
EXAMPLE = Path(__file__).parents[2] / "pipeline/examples/inspector_jobs.toml"


@pytest.fixture(scope="module")
def town(tmp_path_factory):
    folder = tmp_path_factory.mktemp("town")
    generate(folder, n_lots=3000, seed=11)
    return folder


def test_the_example_map_reads_every_job_as_it_was_meant(town):
    column_map = ColumnMap.from_file(EXAMPLE)
    raw = readers.read(town / "jobs.xlsx", sheet=column_map.sheet, header_row=column_map.header_row)
    found = validate.check(raw, column_map, today=TODAY)
    key = pl.read_parquet(town / "truth/jobs_key.parquet")
    both = key.join(found.tables["inspections"], on="source_row", how="inner", suffix="_read")
    assert both.height == key.height
    assert (both["inspection_date"] == both["inspection_date_read"]).all()
    assert (both["purpose"] == both["purpose_read"]).all()
    assert (both["verdict"] == both["overall_verdict"]).all()
    # Lengths written in metres are rounded to 0.1 m there.
    assert (both["length_ft"] - both["end_ft"]).abs().max() <= 0.05 / 0.3048 + 1e-9
    runs = (
        found.tables["segments"]
        .sort("source_row", "sequence")
        .filter(pl.col("material") != pl.col("material").shift(1).over("source_row").fill_null(""))
        .group_by("source_row")
        .agg(pl.col("material").str.join(" > "))
        .join(key, on="source_row")
    )
    assert runs.height == key.height
    assert (runs["material"] == runs["materials"]).all()
    # One lot has one id, however often its address was written.
    pairs = both.select("lot_id", "lot_id_read").unique()
    assert pairs["lot_id"].is_unique().all()
    assert pairs["lot_id_read"].is_unique().all()
    # What is no job is kept with its reason: the notes across the sheet and the total.
    assert set(found.rejects["reason_code"]) == {"malformed_row"}
    assert found.n_read == key.height + found.n_rejected


def test_the_proposal_is_nearly_right_by_itself(town):
    raw = readers.read(town / "jobs.xlsx")
    proposal = propose(raw, today=TODAY)
    by_hand = ColumnMap.from_file(EXAMPLE)
    placed = {name: rule.headers for name, rule in proposal.map.columns.items()}
    assert placed == {name: rule.headers for name, rule in by_hand.columns.items()}
    assert proposal.is_complete
    assert proposal.unplaced == ()
    key = pl.read_parquet(town / "truth/jobs_key.parquet")
    found = validate.check(raw, proposal.map, today=TODAY)
    # Left to ask: words of this inspector alone ("maint. look", "monitor yearly", "lined").
    assert found.tables["inspections"].height >= 0.7 * key.height
    asked = found.rejects.filter(pl.col("reason_code") != "malformed_row")
    assert set(asked["reason_code"]) <= {"unknown_code", "ambiguous_material"}
    assert asked.height
    for column in asked["column_name"].unique():
        # Whatever is rejected was told of beforehand.
        (header,) = proposal.map.columns[column].headers
        assert any(note.startswith(f"'{header}' has words to explain") for note in proposal.notes)


@pytest.mark.parametrize(
    "name",
    [
        "lots",
        "segments",
        "inspections",
        "findings",
        "works",
        "mains",
        "manholes",
        "connections",
        "unit_costs",
    ],
)
def test_the_towns_tables_map_themselves(town, name):
    raw = readers.read(town / f"{name}.csv")
    proposal = propose(raw, today=TODAY)
    assert proposal.map.layout == name
    found = validate.check(raw, proposal.map, today=TODAY)
    assert found.rejects.is_empty()
    assert found.tables[name].height == raw.n_read
