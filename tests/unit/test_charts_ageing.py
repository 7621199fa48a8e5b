"""Curves by age: no line where the records say nothing, counts that add up, one colour for one material."""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl
import pytest
import vl_convert

from dashboards import theme
from dashboards.charts import ageing

STEPPED = pl.DataFrame(
    {
        "age_years": [0.0, 1.0, 2.0, 3.0, 4.0],
        "is_determined": [True, True, False, False, True],
        "failure_probability": [0.0, 0.1, None, None, 0.4],
        "failure_probability_lower": [0.0, 0.05, None, None, 0.3],
        "failure_probability_upper": [0.1, 0.2, None, None, 0.5],
        "undetermined_from": [0.0, 0.1, 0.1, 0.1, 0.4],
        "undetermined_to": [0.0, 0.1, 0.4, 0.4, 0.4],
        "smoothed_probability": [0.0, 0.1, None, None, 0.4],
    }
)
FITTED = pl.DataFrame(
    {
        "material": ["pvc"] * 3 + ["lead"] * 3,
        "age_years": [0.0, 2.0, 4.0] * 2,
        "failure_probability": [0.0, 0.2, 0.4] * 2,
        "failure_probability_lower": [0.0, 0.1, 0.3] * 2,
        "failure_probability_upper": [0.1, 0.3, 0.5] * 2,
        "is_extension": [False, False, True] * 2,
    }
)
COUNTS = pl.DataFrame(
    {"age_from_years": [0.0, 10.0], "age_to_years": [10.0, 20.0], "n_looks": [7, 5], "n_bad": [2, 5]}
)


def data_of(spec: dict[str, Any], mark: str) -> list[dict[str, Any]]:
    """Rows behind the layer that is drawn with a mark."""
    layer = next(part for part in spec["layer"] if part["mark"]["type"] == mark)
    return list(spec["datasets"][layer["data"]["name"]])


def test_no_line_is_drawn_where_the_records_leave_the_curve_open() -> None:
    spec = ageing.curve(STEPPED, FITTED.clear(), oldest=5, colour="#000").to_dict()
    line = data_of(spec, "line")
    assert all(row["is_determined"] for row in line)
    # Two stretches: one line would run straight through the open ages 2 to 4.
    assert {row["run"] for row in line} == {0, 2}
    assert (
        next(part for part in spec["layer"] if part["mark"]["type"] == "line")["encoding"]["detail"]["field"]
        == "run"
    )


def test_stretches_meet_without_a_gap() -> None:
    split = ageing.runs(STEPPED)
    spans = split.group_by("run", maintain_order=True).agg(
        pl.col("age_years").min().alias("start"), pl.col("age_years").max().alias("end")
    )
    assert spans.rows() == [(0, 0.0, 2.0), (1, 2.0, 4.0), (2, 4.0, 4.0)]


def test_a_refused_stepped_curve_leaves_the_fitted_one() -> None:
    spec = ageing.curve(STEPPED.clear(), FITTED.head(3), oldest=5, colour="#000").to_dict()
    assert [part["mark"]["type"] for part in spec["layer"]] == ["area", "line"]


def test_the_extension_starts_where_the_looks_end() -> None:
    joined = ageing.with_joint(FITTED.head(3))
    ends = joined.group_by("is_extension").agg(
        pl.col("age_years").min().alias("a"), pl.col("age_years").max().alias("b")
    )
    assert dict(zip(ends["is_extension"], ends.select("a", "b").rows(), strict=True)) == {
        False: (0, 2),
        True: (2, 4),
    }
    assert ageing.with_joint(FITTED.head(2)).height == 2


def test_bars_of_looks_stack_to_the_looks() -> None:
    rows = ageing.looks(COUNTS, oldest=20)["data"]["values"]
    tops = {(row["age_from_years"], row["kind"]): (row["bottom"], row["top"]) for row in rows}
    assert tops == {
        (0.0, ageing.BAD): (0, 2),
        (0.0, ageing.GOOD): (2, 7),
        (10.0, ageing.BAD): (0, 5),
        (10.0, ageing.GOOD): (5, 5),
    }


def test_other_rows_are_drawn_the_same_way() -> None:
    one, other = ageing.looks(COUNTS, oldest=20), ageing.looks(COUNTS.head(1), oldest=20)
    assert len(one["data"]["values"]) == 2 * len(other["data"]["values"])
    assert {**one, "data": None} == {**other, "data": None}


def test_compared_curves_end_at_the_oldest_look() -> None:
    spec = ageing.compare(FITTED, oldest=5, materials=["pvc", "lead"], places=[1, 0]).to_dict()
    rows = next(iter(spec["datasets"].values()))
    assert max(row["age_years"] for row in rows) == 2


def test_materials_never_share_a_colour_up_to_six_and_keep_their_own() -> None:
    chosen = ["lead", "vitrified_clay", "brick", "pvc", "steel", "copper"]
    places = theme.places(chosen)
    assert len(set(places)) == 6
    assert (places[1], places[3]) == (0, 1)
    assert theme.places(["pvc"]) == [1]


@pytest.mark.parametrize(
    "chart",
    [
        ageing.curve(STEPPED, FITTED.head(3), oldest=5, colour="#123456"),
        ageing.looks(COUNTS, oldest=20),
        ageing.compare(FITTED, oldest=5, materials=["pvc", "lead"], places=[1, 0]),
    ],
    ids=["curve", "looks", "compare"],
)
def test_charts_compile_with_the_shared_dress(chart: Any) -> None:
    spec = chart if isinstance(chart, dict) else theme.dress(chart)
    alt.Chart.from_dict(spec)  # checks it against the schema
    assert (spec["width"], spec["height"]) == ("container", "container")
    assert vl_convert.vegalite_to_vega(spec)["marks"]


def test_every_ink_on_paper_reads_at_4_5_to_1() -> None:
    # WCAG 2.2, success criterion 1.4.3 (AA): 4.5:1; relative luminance as in its definition.
    def luminance(colour: str) -> float:
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
        return 0.2126 * r + 0.7152 * g + 0.0722 * b

    def contrast(one: str, other: str) -> float:
        low, high = sorted((luminance(one), luminance(other)))
        return (high + 0.05) / (low + 0.05)

    assert contrast("#000000", "#FFFFFF") == pytest.approx(21)
    pairs = [
        (theme.INK, theme.PAPER), (theme.QUIET, theme.PAPER), (theme.QUIET, theme.CARD), (theme.DEEP, theme.CARD),
        ("#F4F1E8", "#12323A"), ("#C4D0CD", "#12323A"), ("#3A2A00", "#F3D98B"), (theme.INK, "#FBEFE7"),
    ]  # fmt: skip
    assert {pair: contrast(*pair) for pair in pairs if contrast(*pair) < 4.5} == {}
    # 1.4.11: 3:1 for lines that carry meaning.
    assert [c for c in theme.SERIES if contrast(c, theme.CARD) < 3] == []
