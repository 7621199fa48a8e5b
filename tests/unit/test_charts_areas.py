"""Maps of areas: shapes from outlines or bounds, cheap specifications, thin records grey."""

from __future__ import annotations

import json
from typing import Any

import polars as pl
import vl_convert

from dashboards.charts import areas

BLOCKS = pl.DataFrame(
    {
        "block": ["A", "B", "C"],
        "x_min_ft": [0.0, 10.0, None], "y_min_ft": [0.0, 0.0, None],
        "x_max_ft": [8.0, 18.0, None], "y_max_ft": [8.0, 8.0, None],
        "outline_wkt": ["POLYGON ((0 0, 8 0, 4 8, 0 0))", None, None],
        "n_lots": [9, 9, 9], "n_inspected": [8, 2, 8], "coverage_share": [0.9, 0.2, 0.9],
        "n_observed": [4, 1, 2], "expected": [2.0, 0.5, 2.0], "expected_lower": [0.0, 0.0, 0.0],
        "expected_upper": [5.0, 2.0, 5.0], "ratio": [2.0, None, 1.0],
        "status": ["ok", "too_few_records", "ok"],
    }
)  # fmt: skip


def many(n: int) -> pl.DataFrame:
    """As many boxes in a row."""
    return areas.placed(
        pl.DataFrame({"i": range(n)}).select(
            block=pl.col("i").cast(pl.String), x_min_ft=pl.col("i") * 10.0, y_min_ft=pl.lit(0.0),
            x_max_ft=pl.col("i") * 10.0 + 8, y_max_ft=pl.lit(8.0), n_lots=pl.lit(9), n_inspected=pl.lit(9),
            coverage_share=pl.lit(1.0), n_observed=pl.lit(3), expected=pl.lit(3.0), expected_lower=pl.lit(1.0),
            expected_upper=pl.lit(6.0), ratio=pl.lit(1.0), status=pl.lit("ok"),
        )
    )  # fmt: skip


def shapes(drawn: pl.DataFrame) -> str:
    return areas.Shapes("block").of(drawn)


def failures(drawn: pl.DataFrame) -> dict[str, Any]:
    return areas.failures(drawn, shapes(drawn), name="block")


def coverage(drawn: pl.DataFrame) -> dict[str, Any]:
    return areas.coverage(drawn, shapes(drawn), name="block")


def sent(spec: dict[str, Any]) -> dict[str, Any]:
    """The specification with its rows as the page puts them into it."""
    rows = {
        name: json.loads(table) if isinstance(table, str) else table.to_dicts()
        for name, table in spec["datasets"].items()
    }
    return {**spec, "datasets": rows}


def test_the_outline_is_drawn_where_there_is_one_else_the_bounds() -> None:
    drawn = areas.placed(BLOCKS)
    assert drawn["block"].to_list() == ["A", "B"]  # C lies nowhere
    triangle, box = json.loads(shapes(drawn))
    assert (triangle["id"], box["id"]) == ("A", "B")
    assert len(triangle["geometry"]["coordinates"][0]) == 4
    corners = box["geometry"]["coordinates"][0][:4]
    assert sorted(map(tuple, corners)) == [(10.0, 0.0), (10.0, 8.0), (18.0, 0.0), (18.0, 8.0)]


def test_a_damaged_outline_falls_back_to_the_bounds() -> None:
    damaged = BLOCKS.head(1).with_columns(outline_wkt=pl.lit("POLYGON ((0 0, 8"))
    assert len(json.loads(shapes(damaged))[0]["geometry"]["coordinates"][0]) == 5


def test_shapes_that_were_asked_for_once_stay_as_they_are() -> None:
    drawn = areas.placed(BLOCKS.with_columns(block=pl.col("block") + '"\\'))
    kept = areas.Shapes("block")
    first = kept.of(drawn.head(1))
    assert [shape["id"] for shape in json.loads(first)] == ['A"\\']
    both = kept.of(drawn)
    assert [shape["id"] for shape in json.loads(both)] == drawn["block"].to_list()
    assert kept.of(drawn.tail(1)) == both


def test_colour_is_kept_from_areas_with_too_few_records() -> None:
    spec = failures(areas.placed(BLOCKS))
    colour = spec["layer"][0]["encoding"]["color"]
    assert colour["condition"]["test"].startswith("datum.status === 'ok'")
    assert colour["value"] == areas.theme.TOO_FEW
    states = {row["block"]: row["state"] for row in sent(spec)["datasets"]["areas"]}
    assert states == {"A": "enough", "B": "too few"}


def test_many_areas_go_to_a_canvas_and_few_do_not() -> None:
    few, lots = coverage(many(3)), coverage(many(1_000))
    assert "usermeta" not in few
    assert lots["usermeta"]["embedOptions"]["renderer"] == "canvas"
    assert len(sent(lots)["datasets"]["areas"]) == 1_000


def test_what_is_withheld_is_told_as_a_dash() -> None:
    withheld = areas.placed(BLOCKS).with_columns(n_inspected=pl.lit(None, pl.Int64))
    svg = vl_convert.vegalite_to_svg({**sent(coverage(withheld)), "width": 300, "height": 200})
    assert svg.count("inspected: –") == 2
    assert "lots: 9" in svg


def test_maps_compile() -> None:
    drawn = areas.placed(BLOCKS)
    for spec in (failures(drawn), coverage(drawn)):
        assert vl_convert.vegalite_to_vega(sent(spec))["marks"]


def test_hot_spots_are_outlined_and_dashed_where_not_firm() -> None:
    square = "POLYGON ((1 1, 7 1, 7 7, 1 7, 1 1))"
    spots = pl.DataFrame(
        {
            "zone": [1, 2], "label": ["firm", "unproven"], "outline_wkt": [square, square.replace("7", "5")],
            "n_inspected": [20, 20], "n_observed": [12, 9], "expected": [4.0, 4.5],
        }
    )  # fmt: skip
    plain = failures(areas.placed(BLOCKS))
    assert areas.with_hot_spots(plain, spots.clear()) is plain
    both = areas.with_hot_spots(plain, spots)
    assert len(both["layer"]) == 2
    svg = vl_convert.vegalite_to_svg({**sent(both), "width": 300, "height": 200})
    # One outline of the two is dashed 5, 4.
    assert svg.count('stroke-dasharray="5,4"') == 1
    assert svg.count('stroke-width="2"') == 2
