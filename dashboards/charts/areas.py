"""Maps of areas without tiles: shapes, or their bounding boxes, coloured by one number."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Any

import altair as alt
import numpy as np
import polars as pl
import shapely

from dashboards import theme

#: More marks than this are not fluent in a browser.
MOST_SHAPES = 5_000
#: Above this the browser draws on a canvas instead of keeping one element for each shape.
MOST_ELEMENTS = 800
#: Ratios beyond twice as many, or half as many, share the last colour.
WIDEST_DOUBLINGS = 1.0

#: What is told of an area when pointed at on the map of failures.
OF_FAILURES = (
    "status", "state", "n_lots", "n_inspected", "n_observed", "expected", "expected_lower", "expected_upper", "ratio",
)  # fmt: skip

RATIO_LABELS = "{'-1': 'half', '0': 'as expected', '1': 'twice'}[datum.value]"


def with_shapes(areas: pl.DataFrame) -> pl.DataFrame:
    """Return the areas that can be drawn, with `shape`, a GeoJSON geometry as text.

    Parameters
    ----------
    areas : polars.DataFrame
        Rows of `blocks` or `subdivisions`; the outline is used where there is one, else the bounds.
    """
    bounds = ["x_min_ft", "y_min_ft", "x_max_ft", "y_max_ft"]
    placed = areas.drop_nulls(bounds)
    boxes = shapely.box(*(placed[c].to_numpy() for c in bounds))
    if "outline_wkt" in placed.columns:
        outlines = shapely.from_wkt(placed["outline_wkt"].to_numpy(), on_invalid="ignore")
        boxes = [b if o is None or o.is_empty else o for o, b in zip(outlines, boxes, strict=True)]
    return placed.with_columns(shape=_geojson(boxes))


def _geojson(shapes: Any) -> pl.Series:
    # In whole feet, which no screen can tell from inches: half the length.
    return pl.Series(list(shapely.to_geojson(shapely.transform(shapes, np.rint))), dtype=pl.String)


def failures(areas: pl.DataFrame, *, name: str) -> dict[str, Any]:
    """Map observed against expected failures; areas with too few records stay grey.

    Parameters
    ----------
    areas : polars.DataFrame
        What `with_shapes` returned.
    name : str
        Column that names an area.

    Returns
    -------
    dict
        A Vega-Lite specification with the shapes put in (passing them through Altair costs seconds).
    """
    shown = (*OF_FAILURES, name)
    return _with_rows(_failures_without_rows(name, _is_many(areas)), _features(areas, shown))


@lru_cache(maxsize=8)
def _failures_without_rows(name: str, many: bool) -> dict[str, Any]:
    enough = "datum.properties.status === 'ok' && isValid(datum.properties.ratio)"
    colour = alt.Color(
        "doublings:Q",
        title="found, against expected",
        scale=alt.Scale(
            domain=[-WIDEST_DOUBLINGS, 0, WIDEST_DOUBLINGS],
            range=[theme.FEWER, theme.EVEN, theme.MORE],
            clamp=True,
            interpolate="rgb",  # others pass through purple on the way from blue to cream
        ),
        legend=alt.Legend(
            gradientLength=240,
            values=[-1, 0, 1],
            labelExpr=RATIO_LABELS,
            orient="top",
            titleLimit=300,
        ),
    )
    doublings = f"max(-{WIDEST_DOUBLINGS}, log(max(datum.properties.ratio, 0.01)) / LN2)"
    tips = [
        *_tips(name),
        alt.Tooltip("properties.n_observed:Q", title="with a finding"),
        alt.Tooltip("properties.expected:Q", title="expected", format=".1f"),
        alt.Tooltip("properties.expected_lower:Q", title="chance allows from", format=".0f"),
        alt.Tooltip("properties.expected_upper:Q", title="to", format=".0f"),
        alt.Tooltip("properties.state:N", title="records"),
    ]
    chart = (
        alt.Chart(alt.Data(values=[]))
        .transform_calculate(doublings=doublings)
        .mark_geoshape(**_outline(many=many))
        .encode(
            color=alt.condition(enough, colour, alt.value(theme.TOO_FEW)),
            tooltip=tips,
        )
    )
    return _finish(chart, many=many)


def coverage(areas: pl.DataFrame, *, name: str) -> dict[str, Any]:
    """Map the share of lots whose line a camera has seen.

    Parameters
    ----------
    areas : polars.DataFrame
        What `with_shapes` returned.
    name : str
        Column that names an area.
    """
    shown = ("n_lots", "n_inspected", "coverage_share", name)
    return _with_rows(_coverage_without_rows(name, _is_many(areas)), _features(areas, shown))


@lru_cache(maxsize=8)
def _coverage_without_rows(name: str, many: bool) -> dict[str, Any]:
    colour = alt.Color(
        "share:Q",
        title="lots inspected",
        scale=alt.Scale(domain=[0, 1], range=list(theme.AMOUNT)),
        legend=alt.Legend(gradientLength=200, format="%", values=[0, 0.25, 0.5, 0.75, 1], orient="top"),
    )
    chart = (
        alt.Chart(alt.Data(values=[]))
        # An area of which nothing is told has no share, and would not be drawn at all.
        .transform_calculate(share="datum.properties.coverage_share || 0")
        .mark_geoshape(**_outline(many=many))
        .encode(
            color=alt.condition("datum.properties.n_inspected > 0", colour, alt.value(theme.NONE_SEEN)),
            tooltip=[
                *_tips(name),
                alt.Tooltip("properties.coverage_share:Q", title="share inspected", format=".0%"),
            ],
        )
    )
    return _finish(chart, many=many)


def with_hot_spots(spec: dict[str, Any], spots: pl.DataFrame) -> dict[str, Any]:
    """Draw the outlines of hot spots over a map of areas; those that are not firm are dashed.

    Parameters
    ----------
    spec : dict
        What `failures` returned.
    spots : polars.DataFrame
        Rows of `hot_spots`.
    """
    if spots.is_empty():
        return spec
    outlines = shapely.from_wkt(spots["outline_wkt"].to_numpy())
    features = _features(
        spots.with_columns(shape=_geojson(outlines)),
        ("zone", "label", "n_inspected", "n_observed", "expected"),
    )
    titles = {
        "zone": "hot spot",
        "label": "how sure",
        "n_inspected": "inspected",
        "n_observed": "with a finding",
    }
    outline = {
        "data": features,
        "mark": {"type": "geoshape", "fill": "transparent", "stroke": theme.INK, "strokeWidth": 2},
        "encoding": {
            "strokeDash": {
                "condition": {"test": "datum.properties.label === 'firm'", "value": [1, 0]},
                "value": [5, 4],
            },
            "tooltip": [
                *({"field": f"properties.{name}", "title": title} for name, title in titles.items()),
                {
                    "field": "properties.expected",
                    "title": "expected",
                    "type": "quantitative",
                    "format": ".1f",
                },
            ],
        },
    }
    return {**spec, "layer": [*spec["layer"], outline]}


def _is_many(areas: pl.DataFrame) -> bool:
    return areas.height > MOST_ELEMENTS


def _outline(*, many: bool) -> dict[str, Any]:
    """Outlines that don't drown the colours of many small areas."""
    return {"stroke": "#8B8676", "strokeWidth": 0.2 if many else 0.6}


def _tips(name: str) -> list[alt.Tooltip]:
    return [
        alt.Tooltip(f"properties.{name}:N", title=name),
        alt.Tooltip("properties.n_lots:Q", title="lots"),
        alt.Tooltip("properties.n_inspected:Q", title="inspected"),
    ]


def _finish(chart: alt.Chart, *, many: bool) -> dict[str, Any]:
    """Dress a map, as a layer over which others can be drawn."""
    sized = chart.project(type="identity", reflectY=True)
    if many:
        sized = sized.properties(usermeta={"embedOptions": {"renderer": "canvas"}})
    spec = theme.dress(sized)
    inner = {name: spec[name] for name in ("data", "mark", "encoding", "transform") if name in spec}
    outer = {name: value for name, value in spec.items() if name not in inner}
    return {**outer, "layer": [inner]}


def _with_rows(spec: dict[str, Any], features: dict[str, Any]) -> dict[str, Any]:
    return {**spec, "layer": [{**spec["layer"][0], "data": features}]}


def _features(areas: pl.DataFrame, columns: Sequence[str]) -> dict[str, Any]:
    """Put shapes and properties together as one text: as objects they would be sent at three times the length.

    Panel leaves the rows of a layer alone; only the browser reads the text.
    """
    state = pl.when(pl.col("status") == "ok").then(pl.lit("enough")).otherwise(pl.lit("too few"))
    rows = areas.with_columns(state=state) if "status" in areas.columns else areas
    text = rows.select(
        pl.concat_str(
            pl.lit('{"type":"Feature","geometry":'), pl.col("shape"),
            pl.lit(',"properties":'), pl.struct(columns).struct.json_encode(), pl.lit("}"),
        )
    )  # fmt: skip
    return {"values": f"[{','.join(text.to_series())}]", "format": {"type": "json"}}
