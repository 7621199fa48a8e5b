"""Points and their properties as GeoJSON, for a GIS."""

from __future__ import annotations

import json
from collections.abc import Mapping

import polars as pl

#: Decimals of coordinates: a ten-millionth of a degree is about half an inch.
DECIMALS = 7
DEGREES = "longitude and latitude"
LOCAL_GRID = "the grid of the records [ft], which has no code"


def coordinates_in_words(*, in_degrees: bool) -> str:
    """Say what the coordinates of a file are, for its `about`."""
    return DEGREES if in_degrees else LOCAL_GRID


def point_collection(rows: pl.DataFrame, x: str, y: str, about: Mapping[str, object]) -> str:
    """Return a FeatureCollection, one line for each point.

    Parameters
    ----------
    rows : DataFrame
        One point each; every other column becomes a property. A row without a place has the geometry null.
    x, y : str
        Columns of the coordinates: longitude and latitude as RFC 7946 asks, or another grid, which `about` names.
    about : mapping
        Goes into the collection's own member "about": what it is, when it was made, what it may be used for.

    Returns
    -------
    str

    Notes
    -----
    H. Butler et al. 2016, The GeoJSON Format, RFC 7946: sections 3.2 (a feature without a place has a null
    geometry) and 6.1 (members of one's own).
    """
    point = pl.format("[{},{}]", pl.col(x).round(DECIMALS), pl.col(y).round(DECIMALS))
    geometry = (
        pl.when(pl.col(x).is_null() | pl.col(y).is_null())
        .then(pl.lit("null"))
        .otherwise(pl.concat_str(pl.lit('{"type":"Point","coordinates":'), point, pl.lit("}")))
    )
    properties = [name for name in rows.columns if name not in {x, y}]
    features = rows.select(
        pl.concat_str(
            pl.lit('{"type":"Feature","geometry":'),
            geometry,
            pl.lit(',"properties":'),
            pl.struct(properties).struct.json_encode(),
            pl.lit("}"),
        )
    ).to_series()
    head = f'{{"type":"FeatureCollection","about":{json.dumps(dict(about), ensure_ascii=False, default=str)},"features":[\n'
    return head + ",\n".join(features.to_list()) + "\n]}\n"
