"""Charts of connections and areas: they draw what they are given, and say its units."""

from __future__ import annotations

import polars as pl

from dashboards.charts import utility


def test_the_curve_draws_cost_against_risk_with_its_band():
    curve = pl.DataFrame(
        {
            "n_connections": [2, 3],
            "cost_usd": [10_000.0, 16_000.0],
            "risk_points": [1.5, 2.2],
            "risk_points_lower": [1.2, 1.9],
            "risk_points_upper": [1.7, 2.6],
            "share_of_risk": [0.5, 0.8],
        }
    )
    drawn = utility.bought(curve).to_dict()
    band, line = drawn["layer"]
    assert band["encoding"]["y2"]["field"] == "risk_points_upper"
    assert line["encoding"]["x"]["title"] == "money spent, likely prices [US dollars]"
    # Thirteen million must not read as ten: no rounding to one digit.
    assert line["encoding"]["x"]["axis"]["format"] == "$~s"
    (rows,) = drawn["datasets"].values()
    assert [row["risk_points"] for row in rows] == [1.5, 2.2]


def test_areas_keep_their_order():
    areas = pl.DataFrame(
        {
            "rank": [1, 2],
            "name": ["B7", "3 smaller blocks of Mock Acres"],
            "per_door": [0.4, 0.2],
            "per_door_lower": [0.3, 0.1],
            "per_door_upper": [0.5, 0.3],
            "n_doors": [20, 30],
            "expected_unseen": [8.0, 6.0],
        }
    )
    range_, _ = utility.per_door(areas).to_dict()["layer"]
    assert range_["encoding"]["y"]["sort"] == ["1. B7", "2. 3 smaller blocks of Mock Acres"]
