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
    return areas.with_shapes(
        pl.DataFrame({"i": range(n)}).select(
            block=pl.col("i").cast(pl.String), x_min_ft=pl.col("i") * 10.0, y_min_ft=pl.lit(0.0),
            x_max_ft=pl.col("i") * 10.0 + 8, y_max_ft=pl.lit(8.0), n_lots=pl.lit(9), n_inspected=pl.lit(9),
            coverage_share=pl.lit(1.0), n_observed=pl.lit(3), expected=pl.lit(3.0), expected_lower=pl.lit(1.0),
            expected_upper=pl.lit(6.0), ratio=pl.lit(1.0), status=pl.lit("ok"),
        )
    )  # fmt: skip


def features(spec: dict[str, Any]) -> list[dict[str, Any]]:
    """The areas of a map, which it holds as text."""
    return json.loads(spec["layer"][0]["data"]["values"])


def test_the_outline_is_drawn_where_there_is_one_else_the_bounds() -> None:
    drawn = areas.with_shapes(BLOCKS)
    assert drawn["block"].to_list() == ["A", "B"]  # C lies nowhere
    triangle, box = (json.loads(shape)["coordinates"][0] for shape in drawn["shape"])
    assert len(triangle) == 4
    assert sorted(map(tuple, box[:4])) == [(10.0, 0.0), (10.0, 8.0), (18.0, 0.0), (18.0, 8.0)]


def test_a_damaged_outline_falls_back_to_the_bounds() -> None:
    damaged = BLOCKS.head(1).with_columns(outline_wkt=pl.lit("POLYGON ((0 0, 8"))
    shape = json.loads(areas.with_shapes(damaged)["shape"][0])
    assert len(shape["coordinates"][0]) == 5


def test_colour_is_kept_from_areas_with_too_few_records() -> None:
    spec = areas.failures(areas.with_shapes(BLOCKS), name="block")
    colour = spec["layer"][0]["encoding"]["color"]
    assert colour["condition"]["test"].startswith("datum.properties.status === 'ok'")
    assert colour["value"] == areas.theme.TOO_FEW
    states = {row["properties"]["block"]: row["properties"]["state"] for row in features(spec)}
    assert states == {"A": "enough", "B": "too few"}


def test_many_areas_go_to_a_canvas_and_few_do_not() -> None:
    few, lots = areas.coverage(many(3), name="block"), areas.coverage(many(1_000), name="block")
    assert "usermeta" not in few
    assert lots["usermeta"] == {"embedOptions": {"renderer": "canvas"}}
    assert len(features(lots)) == 1_000


def test_maps_compile() -> None:
    drawn = areas.with_shapes(BLOCKS)
    for spec in (areas.failures(drawn, name="block"), areas.coverage(drawn, name="block")):
        assert vl_convert.vegalite_to_vega(spec)["marks"]


def test_hot_spots_are_outlined_and_dashed_where_not_firm() -> None:
    square = "POLYGON ((1 1, 7 1, 7 7, 1 7, 1 1))"
    spots = pl.DataFrame(
        {
            "zone": [1, 2], "label": ["firm", "unproven"], "outline_wkt": [square, square.replace("7", "5")],
            "n_inspected": [20, 20], "n_observed": [12, 9], "expected": [4.0, 4.5],
        }
    )  # fmt: skip
    plain = areas.failures(areas.with_shapes(BLOCKS), name="block")
    assert areas.with_hot_spots(plain, spots.clear()) is plain
    both = areas.with_hot_spots(plain, spots)
    assert len(both["layer"]) == 2
    svg = vl_convert.vegalite_to_svg({**both, "width": 300, "height": 200})
    # One outline of the two is dashed 5, 4.
    assert svg.count('stroke-dasharray="5,4"') == 1
    assert svg.count('stroke-width="2"') == 2
