"""Where lots lie, in feet of one flat grid that a map can draw; and the extent of their areas."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import polars as pl
import shapely
from pyproj import CRS, Transformer
from shapely.errors import ShapelyError

from models.looks import FloatArray

FEET_PER_METRE = 1 / 0.3048
Mover = Callable[[FloatArray], FloatArray]


def place_lots(lots: pl.DataFrame) -> pl.DataFrame:
    """Add `x_ft`, `y_ft` and turn `outline_wkt` into the same grid.

    Parameters
    ----------
    lots : DataFrame
        `lon, lat` [degrees], `x, y, epsg` (local feet where epsg is NULL), `outline_wkt` in the grid of x, y.

    Returns
    -------
    DataFrame
        With `x_ft, y_ft` and without `lon, lat, x, y, epsg`. NULL where no location is recorded.

    Notes
    -----
    A grid of its own (`epsg`) is kept, in feet. Where any lot has longitude and latitude or there are
    several grids, all are put on one plane around their middle: azimuthal equidistant, true to a
    fraction of a foot across a town. Lots on a local grid without a code cannot be put beside those;
    they keep their local feet.
    """
    codes = lots["epsg"].drop_nulls().unique().sort().to_list()
    degrees = lots.filter(pl.col("epsg").is_null() & pl.col("x").is_null() & pl.col("lon").is_not_null())
    if not codes and degrees.is_empty():
        return lots.with_columns(x_ft=pl.col("x"), y_ft=pl.col("y")).drop("lon", "lat", "x", "y", "epsg")
    if len(codes) == 1 and degrees.is_empty():
        factor = CRS.from_epsg(codes[0]).axis_info[0].unit_conversion_factor * FEET_PER_METRE
        if CRS.from_epsg(codes[0]).is_projected:
            return _scaled(lots, factor)
    return _on_one_plane(lots)


def _scaled(lots: pl.DataFrame, factor: float) -> pl.DataFrame:
    scaled = lots.with_columns(
        x_ft=pl.col("x") * factor,
        y_ft=pl.col("y") * factor,
        outline_wkt=_outlines(lots["outline_wkt"], lambda points: points * factor),
    )
    return scaled.drop("lon", "lat", "x", "y", "epsg")


def _on_one_plane(lots: pl.DataFrame) -> pl.DataFrame:
    known = lots.with_row_index("place")
    parts = [known.filter(pl.col("epsg").is_null() & pl.col("x").is_null())]
    parts += [known.filter(pl.col("epsg") == code) for code in known["epsg"].drop_nulls().unique().sort()]
    degrees = [_degrees(part) for part in parts]
    middle = np.nanmean(np.concatenate(degrees), axis=0)
    plane = CRS.from_proj4(f"+proj=aeqd +lat_0={middle[1]} +lon_0={middle[0]} +datum=WGS84 +units=m")
    flatten = Transformer.from_crs("EPSG:4326", plane, always_xy=True)
    placed = [
        known.filter(pl.col("epsg").is_null() & pl.col("x").is_not_null()).with_columns(x_ft="x", y_ft="y")
    ]
    for part, points in zip(parts, degrees, strict=True):
        x, y = flatten.transform(points[:, 0], points[:, 1])
        placed.append(
            part.with_columns(
                x_ft=pl.Series(np.where(np.isfinite(x), x, np.nan) * FEET_PER_METRE).fill_nan(None),
                y_ft=pl.Series(np.where(np.isfinite(y), y, np.nan) * FEET_PER_METRE).fill_nan(None),
                outline_wkt=_outlines(part["outline_wkt"], _flattener(part, flatten)),
            )
        )
    return pl.concat(placed).sort("place").drop("place", "lon", "lat", "x", "y", "epsg")


def _degrees(part: pl.DataFrame) -> FloatArray:
    code = part["epsg"].drop_nulls()
    if code.is_empty():
        return part.select(pl.col("lon", "lat").fill_null(float("nan"))).to_numpy().astype(float)
    to_degrees = Transformer.from_crs(f"EPSG:{code[0]}", "EPSG:4326", always_xy=True)
    points = part.select(pl.col("x", "y").fill_null(float("nan"))).to_numpy().astype(float)
    return np.column_stack(to_degrees.transform(points[:, 0], points[:, 1]))


def _flattener(part: pl.DataFrame, flatten: Transformer) -> Mover:
    code = part["epsg"].drop_nulls()
    to_degrees = (
        None if code.is_empty() else Transformer.from_crs(f"EPSG:{code[0]}", "EPSG:4326", always_xy=True)
    )

    def move(points: FloatArray) -> FloatArray:
        x, y = points[:, 0], points[:, 1]
        if to_degrees is not None:
            x, y = to_degrees.transform(x, y)
        moved: FloatArray = np.column_stack(flatten.transform(x, y)) * FEET_PER_METRE
        return moved

    return move


def _outlines(wkt: pl.Series, move: Mover) -> pl.Series:
    """Move outlines; one that is no geometry is left out, for it cannot be drawn."""
    if wkt.null_count() == len(wkt):
        return wkt
    try:
        shapes = shapely.from_wkt(wkt.to_list(), on_invalid="ignore")
        moved = shapely.transform(shapes, move)
    except ShapelyError:
        return pl.Series(wkt.name, [None] * len(wkt), dtype=pl.String)
    return pl.Series(wkt.name, shapely.to_wkt(moved, rounding_precision=1).tolist(), dtype=pl.String)


def area_places(lots: pl.DataFrame, area: str) -> pl.DataFrame:
    """Return the middle and the extent of each area's lots.

    Parameters
    ----------
    lots : DataFrame
        Placed lots.
    area : str
        'block' or 'subdivision'.

    Returns
    -------
    DataFrame
        The area's column, `x_ft, y_ft`, the bounds, and `outline_wkt`: the convex hull of its lots' outlines,
        or of their points where there are none.
    """
    placed = lots.filter(
        pl.col(area).is_not_null() & pl.col("x_ft").is_not_null() & pl.col("y_ft").is_not_null()
    ).sort(area, "lot_id")
    if placed.is_empty():
        columns = ("x_ft", "y_ft", "x_min_ft", "y_min_ft", "x_max_ft", "y_max_ft")
        schema = {area: pl.String, **dict.fromkeys(columns, pl.Float64), "outline_wkt": pl.String}
        return pl.DataFrame(schema=schema)
    shapes = shapely.from_wkt(placed["outline_wkt"].to_list(), on_invalid="ignore")
    points = shapely.points(placed["x_ft"].to_numpy(), placed["y_ft"].to_numpy())
    shapes = np.where(shapely.is_missing(shapes), points, shapes)
    corners, owner = shapely.get_coordinates(shapes, return_index=True)
    number = placed.select(pl.col(area).rle_id()).to_series().to_numpy()[owner]
    cloud = pl.DataFrame({"number": number, "x": corners[:, 0], "y": corners[:, 1]})
    bounds = cloud.group_by("number").agg(
        x_min_ft=pl.col("x").min(),
        y_min_ft=pl.col("y").min(),
        x_max_ft=pl.col("x").max(),
        y_max_ft=pl.col("y").max(),
    )
    hulls = shapely.convex_hull(shapely.multipoints(shapely.points(corners), indices=number))
    middles = (
        placed.group_by(area)
        .agg(pl.col("x_ft", "y_ft").mean())
        .sort(area)
        .with_row_index("number")
        .with_columns(pl.col("number").cast(pl.UInt32))
    )
    return (
        middles.join(bounds.with_columns(pl.col("number").cast(pl.UInt32)), on="number")
        .sort("number")
        .with_columns(
            outline_wkt=pl.Series(shapely.to_wkt(hulls, rounding_precision=1).tolist(), dtype=pl.String)
        )
        .drop("number")
    )
