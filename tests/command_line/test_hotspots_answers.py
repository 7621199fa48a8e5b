"""`underlot hotspots` on made-up published tables: what is told, in what words, in which form."""

from __future__ import annotations

import json
from datetime import datetime

import polars as pl
import pytest
import shapely

from pipeline.published import contract
from pipeline.published.write import empty, publish

SQUARE = "POLYGON ((0 0, 0 400, 400 400, 400 0, 0 0))"
IN_DEGREES = "POLYGON ((-93.1 44.9, -93.1 44.901, -93.099 44.901, -93.099 44.9, -93.1 44.9))"


def rows(table, *given):
    columns = {column.name for column in table.columns}
    assert all(set(row) <= columns for row in given)
    return pl.concat([empty(table), pl.DataFrame(list(given))], how="diagonal_relaxed")


def spot(zone, **changes):
    row = {
        "period": "all",
        "zone": zone,
        "label": "firm",
        "meaning": contract.HOT_SPOT_LABELS["firm"],
        "x_ft": 200.0,
        "y_ft": 200.0,
        "radius_ft": 180.0,
        "lon": -93.0995,
        "lat": 44.9005,
        "outline_wkt": SQUARE,
        "outline_degrees_wkt": IN_DEGREES,
        "core_wkt": None,
        "subdivisions": "Maple Acres",
        "n_lots": 40,
        "n_inspected": 30,
        "coverage_share": 0.75,
        "n_observed": 18,
        "expected": 6.0,
        "expected_lower": 5.0,
        "expected_upper": 7.5,
        "ratio": 3.0,
        "log_ratio": 11.0,
        "p_value": 0.00002,
        "p_value_method": "gumbel",
        "p_value_blocks": 0.013,
        "p_value_blocks_method": "rank",
        "n_core": 22,
        "warning": "",
        "sentence": "18 of 30 inspected lots failed.",
    }
    return row | changes


def scan(**changes):
    row = {
        "period": "all",
        "n_lots": 500,
        "n_observed": 90,
        "n_draws": 999,
        "status": "ok",
        "sentence": "500 inspected lots.",
    }
    return row | changes


@pytest.fixture
def publish_spots(tmp_path):
    def make(*spots, lots=()):
        frames = {name: empty(table) for name, table in contract.TABLES.items()}
        run = {
            "run_id": "abc",
            "built_at": datetime(2026, 1, 1),
            "contract_version": contract.CONTRACT_VERSION,
            "town_name": "Quillbourne",
            "is_synthetic": True,
            "failure_definition": "Failed means: any repair-grade finding.",
            "score_level": 0.9,
            "as_of_year": 2026.0,
            "as_of_source": "a day",
            "horizon_years": 10.0,
        }
        frames["run"] = rows(contract.RUN, run)
        frames["hot_spot_scans"] = rows(contract.HOT_SPOT_SCANS, scan())
        if spots:
            frames["hot_spots"] = rows(contract.HOT_SPOTS, *spots)
        if lots:
            frames["hot_spot_lots"] = rows(contract.HOT_SPOT_LOTS, *lots)
            frames["lots"] = rows(
                contract.LOTS, *({"lot_id": one["lot_id"], "address": f"{one['lot_id']} Elm"} for one in lots)
            )
        publish(tmp_path / "published", frames, {})
        return tmp_path

    return make


def test_the_table_says_how_sure_and_warns(underlot, publish_spots):
    warned = spot(
        2,
        label="unproven",
        meaning=contract.HOT_SPOT_LABELS["unproven"],
        p_value_blocks=0.4,
        p_value_blocks_method="at_least",
        warning="Coincides with how the looks were made: one operator (OP-3) made 80% of its looks.",
    )
    answer = underlot("hotspots", workspace=publish_spots(spot(1), warned))
    assert answer.code == 0
    words = " ".join(answer.out.replace("│", " ").split())
    assert "Quillbourne (an invented town)" in words
    assert "18 of 30 inspected lots; expected 6.0 (90% range 5.0 to 7.5)" in words
    assert "below 0.1% anywhere in the town, were there none; 1.3% if areas only differ as usual" in words
    assert "40% or more if areas only differ as usual" in words
    assert "one operator (OP-3)" in words
    assert "it says nothing about any one line" in words


def test_firm_only(underlot, publish_spots):
    workspace = publish_spots(spot(1), spot(2, label="unproven"))
    listed = pl.read_csv(underlot("hotspots", "--firm", "--format", "csv", workspace=workspace).out.encode())
    assert listed["zone"].to_list() == [1]
    assert "outline_wkt" not in listed.columns


def test_geojson_is_as_the_standard_wants_it(underlot, publish_spots):
    # RFC 7946: longitude first, outer ring counter-clockwise and closed.
    content = json.loads(underlot("hotspots", "--format", "geojson", workspace=publish_spots(spot(1))).out)
    assert content["type"] == "FeatureCollection"
    (feature,) = content["features"]
    ring = feature["geometry"]["coordinates"][0]
    assert ring[0] == ring[-1]
    assert shapely.LinearRing(ring).is_ccw
    assert -94 < ring[0][0] < -93
    assert 44 < ring[0][1] < 45
    assert feature["properties"]["label"] == "firm"
    assert content["about"]["coordinates"] == "longitude and latitude"


def test_geojson_of_a_local_grid_says_so(underlot, publish_spots):
    workspace = publish_spots(spot(1, outline_degrees_wkt=None, lon=None, lat=None))
    content = json.loads(underlot("hotspots", "--format", "geojson", workspace=workspace).out)
    assert "grid of the records" in content["about"]["coordinates"]
    assert [400.0, 400.0] in content["features"][0]["geometry"]["coordinates"][0]


def test_nothing_found_is_an_answer(underlot, publish_spots):
    workspace = publish_spots()
    answer = underlot("hotspots", workspace=workspace)
    assert answer.code == 0
    assert "500 inspected lots." in answer.out
    assert json.loads(underlot("hotspots", "--format", "geojson", workspace=workspace).out)["features"] == []


def test_lots_leave_with_a_purpose_only_and_without_results(underlot, publish_spots, tmp_path):
    workspace = publish_spots(
        spot(1), lots=[{"period": "all", "zone": 1, "lot_id": "7", "is_inspected": True, "is_core": True}]
    )
    file = tmp_path / "inside.csv"
    refused = underlot("hotspots", "--lots", file, workspace=workspace)
    assert refused.code == 2
    assert "--purpose" in refused.err
    assert not file.exists()
    done = underlot("hotspots", "--lots", file, "--purpose", "camera round, north side", workspace=workspace)
    assert done.code == 0
    written = pl.read_csv(file)
    assert written["address"].to_list() == ["7 Elm"]
    assert not {"is_bad", "last_verdict", "n_observed"} & set(written.columns)
    assert "camera round, north side" in (workspace / "exports.jsonl").read_text()


def test_recent_years_that_were_not_searched(underlot, publish_spots):
    answer = underlot("hotspots", "--recent", workspace=publish_spots(spot(1)))
    assert answer.code == 2
    assert answer.err.strip() == (
        "Recent years were not searched in this build. Set hot_spot_recent_years in settings.toml, e.g. to 10, and run "
        "`underlot build` again."
    )


def test_looks_made_because_of_a_failure_are_a_search_of_their_own(underlot, publish_spots):
    workspace = publish_spots(spot(1))
    answer = underlot("hotspots", "--every-reason", workspace=workspace)
    assert answer.code == 2
    assert "No look was made because of a failure" in answer.err
    both = underlot("hotspots", "--every-reason", "--recent", workspace=workspace)
    assert both.code == 2
    assert "Ask for one at a time" in both.err
