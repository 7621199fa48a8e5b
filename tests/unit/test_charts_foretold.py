"""The chart of foretold chances: a dot for each tenth, the line of equals, and shares as they were counted."""

import polars as pl

from dashboards import theme
from dashboards.charts import foretold

TENTHS = pl.DataFrame(
    {
        "predicted_share": [0.1, 0.5, 0.9],
        "observed_share": [0.0, 0.55, 1.0],
        "observed_share_lower": [0.0, 0.4, 0.8],
        "observed_share_upper": [0.2, 0.7, 1.0],
        "n_looks": [20, 20, 20],
        "n_bad": [0, 11, 20],
    }
)


def rows(spec, layer):
    data = spec["layer"][layer].get("data", spec.get("data"))
    return spec["datasets"][data["name"]] if "name" in data else data["values"]


def test_dots_stand_where_share_and_chance_meet():
    spec = foretold.against_seen(TENTHS, colour=theme.DEEP).to_dict()
    equal, whisker, dot = spec["layer"]
    assert [row["predicted_share"] == row["observed_share"] for row in rows(spec, 0)] == [True, True]
    assert {(row["predicted_share"], row["observed_share"]) for row in rows(spec, 2)} == {
        (0.1, 0.0),
        (0.5, 0.55),
        (0.9, 1.0),
    }
    assert dot["encoding"]["x"]["field"] == "predicted_share"
    assert dot["encoding"]["y"]["field"] == "observed_share"
    assert whisker["encoding"]["y2"]["field"] == "observed_share_upper"
    for layer in (equal, whisker, dot):
        assert layer["encoding"]["x"]["scale"]["domain"] == [0, 1]
        assert layer["encoding"]["y"]["scale"]["domain"] == [0, 1]
    assert "n_looks" in {tip["field"] for tip in dot["encoding"]["tooltip"]}


def test_without_looks_the_line_of_equals_remains():
    spec = foretold.against_seen(TENTHS.clear(), colour=theme.DEEP).to_dict()
    assert len(rows(spec, 0)) == 2
