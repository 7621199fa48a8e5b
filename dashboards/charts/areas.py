"""Maps of areas without tiles: shapes, or their bounding boxes, coloured by one number.

Shapes and what is told of them are data sets of their own, joined in the browser: a filter sends and changes the latter only.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import Any

import altair as alt
import numpy as np
import polars as pl
import polars.selectors as cs
import shapely

from dashboards import theme

#: More marks than this are not fluent in a browser.
MOST_SHAPES = 5_000
#: Above this the browser draws on a canvas instead of keeping one element for each shape.
MOST_ELEMENTS = 800
#: Ratios beyond twice as many, or half as many, share the last colour.
WIDEST_DOUBLINGS = 1.0

#: What is drawn, and told when pointed at, of an area.
OF_FAILURES = (
    "status", "state", "n_lots", "n_inspected", "n_observed", "expected", "expected_lower", "expected_upper", "ratio",
)  # fmt: skip
OF_COVERAGE = ("n_lots", "n_inspected", "coverage_share")
#: Digits after the point; no colour and no word of the maps hangs on more.
DIGITS = 4

#: Where an area lies: its outline, else its bounds.
PLACE = ("x_min_ft", "y_min_ft", "x_max_ft", "y_max_ft")

SHAPE = {"field": "shape", "type": "geojson"}

RATIO_LABELS = "{'-1': 'half', '0': 'as expected', '1': 'twice'}[datum.value]"


class Shapes:
    """The shapes of areas, as a text that only grows, so that what the browser has need not be sent again.

    Parameters
    ----------
    name : str
        Column that names an area.
    """

    def __init__(self, name: str) -> None:
        self._name = name
        self._known = pl.Series([], dtype=pl.String)
        self._features = pl.Series([], dtype=pl.String)
        self._text = "[]"

    def of(self, areas: pl.DataFrame) -> str:
        """Return a JSON list with a GeoJSON feature for each of the areas, and for those asked for before.

        Parameters
        ----------
        areas : DataFrame
            What `placed` returned.
        """
        new = areas.filter(~pl.col(self._name).is_in(self._known.implode()))
        if new.height:
            self._known = self._known.append(new[self._name])
            self._features = self._features.append(_features(new, self._name))
            self._text = f"[{','.join(self._features)}]"
        return self._text


def placed(areas: pl.DataFrame) -> pl.DataFrame:
    """Return the rows of `blocks` or `subdivisions` that can be drawn."""
    return areas.drop_nulls(PLACE)


def _features(areas: pl.DataFrame, name: str) -> pl.Series:
    shapes = shapely.box(*(areas[c].to_numpy() for c in PLACE))
    if "outline_wkt" in areas.columns:
        outlines = shapely.from_wkt(areas["outline_wkt"].to_numpy(), on_invalid="ignore")
        shapes = [b if o is None or o.is_empty else o for o, b in zip(outlines, shapes, strict=True)]
    return _as_features(areas[name], shapes)


def _as_features(ids: pl.Series, shapes: Any) -> pl.Series:
    # In whole feet, which no screen can tell from inches: half the length.
    drawn = pl.Series(list(shapely.to_geojson(shapely.transform(shapes, np.rint))), dtype=pl.String)
    return pl.select(
        pl.concat_str(
            pl.lit('{"type":"Feature","id":'), pl.struct(i=ids).struct.json_encode().str.slice(5).str.head(-1),
            pl.lit(',"geometry":'), drawn, pl.lit("}"),
        )
    ).to_series()  # fmt: skip


def failures(areas: pl.DataFrame, shapes: str, *, name: str) -> dict[str, Any]:
    """Map observed against expected failures; areas with too few records stay grey.

    Parameters
    ----------
    areas : polars.DataFrame
        What `placed` returned.
    shapes : str
        What `Shapes.of` returned for them.
    name : str
        Column that names an area.

    Returns
    -------
    dict
        A dressed specification, with a frame and a text as data sets, as `DrawingPane` takes them.
    """
    state = pl.when(pl.col("status") == "ok").then(pl.lit("enough")).otherwise(pl.lit("too few"))
    rows = areas.with_columns(state=state).select(name, *OF_FAILURES)
    return _with_rows(_failures_without_rows(name, _is_many(areas)), rows, shapes)


@lru_cache(maxsize=8)
def _failures_without_rows(name: str, many: bool) -> dict[str, Any]:
    enough = "datum.status === 'ok' && isValid(datum.ratio)"
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
    doublings = f"max(-{WIDEST_DOUBLINGS}, log(max(datum.ratio, 0.01)) / LN2)"
    tips = {
        "with a finding": "n_observed",
        "expected": "expected:.1f",
        "chance allows from": "expected_lower:.0f",
        "to": "expected_upper:.0f",
        "records": "state:",
    }
    chart = (
        alt.Chart(alt.Data(values=[]))
        .transform_calculate(doublings=doublings)
        .mark_geoshape(**_outline(name, tips, many=many))
        .encode(color=alt.condition(enough, colour, alt.value(theme.TOO_FEW)))
    )
    return _finish(chart, name, many=many)


def coverage(areas: pl.DataFrame, shapes: str, *, name: str) -> dict[str, Any]:
    """Map the share of lots whose line a camera has seen; all as for `failures`."""
    rows = areas.select(name, *OF_COVERAGE)
    return _with_rows(_coverage_without_rows(name, _is_many(areas)), rows, shapes)


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
        .transform_calculate(share="datum.coverage_share || 0")
        .mark_geoshape(**_outline(name, {"share inspected": "coverage_share:.0%"}, many=many))
        .encode(color=alt.condition("datum.n_inspected > 0", colour, alt.value(theme.NONE_SEEN)))
    )
    return _finish(chart, name, many=many)


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
    rows = spots.select("zone", "label", "n_inspected", "n_observed", "expected")
    tips = {
        "hot spot": "zone:",
        "how sure": "label:",
        "inspected": "n_inspected",
        "with a finding": "n_observed",
        "expected": "expected:.1f",
    }
    outline = {
        "data": {"name": "spots"},
        "transform": [_looked_up("zone", "outlines")],
        "mark": {
            "type": "geoshape", "fill": "transparent", "stroke": theme.INK, "strokeWidth": 2,
            "tooltip": {"expr": _told(tips)}, "description": {"expr": _read_out(tips)},
        },
        "encoding": {
            "shape": SHAPE,
            "strokeDash": {
                "condition": {"test": "datum.label === 'firm'", "value": [1, 0]},
                "value": [5, 4],
            },
        },
    }  # fmt: skip
    drawn = {"spots": rows, "outlines": f"[{','.join(_as_features(spots['zone'], outlines))}]"}
    return {**spec, "layer": [*spec["layer"], outline], "datasets": {**spec["datasets"], **drawn}}


def _is_many(areas: pl.DataFrame) -> bool:
    return areas.height > MOST_ELEMENTS


def _outline(name: str, tips: Mapping[str, str], *, many: bool) -> dict[str, Any]:
    """Outlines that don't drown the colours of many small areas, and what is told of an area when pointed at."""
    told = {name: f"{name}:", "lots": "n_lots", "inspected": "n_inspected", **tips}
    look = {"stroke": "#8B8676", "strokeWidth": 0.2 if many else 0.6, "tooltip": {"expr": _told(told)}}
    # On a canvas there is no element for each area that a screen reader could read.
    return {**look, "aria": False} if many else {**look, "description": {"expr": _read_out(told)}}


def _told(tips: Mapping[str, str]) -> str:
    """Expression for what is told: columns by their words, with a format after a colon; what is withheld is a dash."""
    return "{" + ", ".join(f"'{words}': {_value(what)}" for words, what in tips.items()) + "}"


def _read_out(tips: Mapping[str, str]) -> str:
    """Expression for the same as one text, for screen readers."""
    return " + '; ' + ".join(f"'{words}: ' + ({_value(what)})" for words, what in tips.items())


def _value(what: str) -> str:
    column, colon, form = what.partition(":")
    number = f"format(datum.{column}, '{form or ',d'}')"
    return f"isValid(datum.{column}) ? {f'datum.{column}' if colon and not form else number} : '–'"


def _looked_up(name: str, shapes: str) -> dict[str, Any]:
    return {"lookup": name, "from": {"data": {"name": shapes}, "key": "id"}, "as": "shape"}


def _finish(chart: alt.Chart, name: str, *, many: bool) -> dict[str, Any]:
    """Dress a map, as a layer over which others can be drawn."""
    sized = chart.project(type="identity", reflectY=True)
    if many:
        sized = sized.properties(usermeta={"embedOptions": {"renderer": "canvas"}})
    spec = theme.dress(sized)
    inner = {key: spec[key] for key in ("mark", "encoding", "transform")}
    outer = {key: value for key, value in spec.items() if key not in {"data", *inner}}
    inner["data"] = {"name": "areas"}
    inner["transform"] = [_looked_up(name, "shapes"), *inner["transform"]]
    inner["encoding"] = {**inner["encoding"], "shape": SHAPE}
    return {**outer, "layer": [inner]}


def _with_rows(spec: dict[str, Any], rows: pl.DataFrame, shapes: str) -> dict[str, Any]:
    short = rows.with_columns(cs.float().round(DIGITS))
    return {**spec, "datasets": {"areas": short, "shapes": shapes}}
