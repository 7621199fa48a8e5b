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

#: Grids without a code: longitude and latitude, and local feet.
DEGREES, LOCAL = 0, -1
#: Code of the grid in which a row with `epsg, x, lon` has its place.
GRID = (
    pl.when(pl.col("epsg").is_not_null())
    .then(pl.col("epsg"))
    .when(pl.col("x").is_null() & pl.col("lon").is_not_null())
    .then(pl.lit(DEGREES))
    .otherwise(pl.lit(LOCAL))
    .cast(pl.Int64)
)
SOURCES = ("lon", "lat", "x", "y", "epsg")


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
    """
    known = lots.with_row_index("place").with_columns(grid=GRID)
    movers = map_movers(lots)
    if list(movers.values()) == [None]:
        return lots.with_columns(x_ft=pl.col("x"), y_ft=pl.col("y")).drop(SOURCES)
    placed = []
    for grid, move in movers.items():
        part = known.filter(pl.col("grid") == grid)
        points = moved(points_of(part, grid), move)
        placed.append(
            part.with_columns(
                x_ft=pl.Series(points[:, 0], nan_to_null=True),
                y_ft=pl.Series(points[:, 1], nan_to_null=True),
                outline_wkt=outlines(part["outline_wkt"], move),
            )
        )
    return pl.concat(placed).sort("place").drop("place", "grid", *SOURCES)


def map_movers(lots: pl.DataFrame) -> dict[int, Mover | None]:
    """Return, for each grid of the lots, how its points get to the map's grid [ft]; None where they are there.

    Notes
    -----
    A grid of its own (`epsg`) is kept, in feet. Where any lot has longitude and latitude or there are
    several grids, all are put on one plane around their middle: azimuthal equidistant, true to a
    fraction of a foot across a town. Lots on a local grid without a code cannot be put beside those;
    they keep their local feet.
    """
    known = lots.with_columns(grid=GRID)
    grids: list[int] = known["grid"].unique().sort().to_list()
    coded = [grid for grid in grids if grid != LOCAL]
    if not coded:
        return dict.fromkeys(grids)
    if len(coded) == 1 and coded[0] != DEGREES and CRS.from_epsg(coded[0]).is_projected:
        factor = CRS.from_epsg(coded[0]).axis_info[0].unit_conversion_factor * FEET_PER_METRE
        return dict.fromkeys(grids, lambda points: points * factor)
    degrees = [_in_degrees(grid)(points_of(known.filter(pl.col("grid") == grid), grid)) for grid in coded]
    every = np.concatenate(degrees)
    middle = np.mean(every[np.isfinite(every).all(axis=1)], axis=0)
    plane = CRS.from_proj4(f"+proj=aeqd +lat_0={middle[1]} +lon_0={middle[0]} +datum=WGS84 +units=m")
    flatten = _transform("EPSG:4326", plane)
    movers: dict[int, Mover | None] = {grid: None for grid in grids if grid == LOCAL}
    return movers | {grid: _flattener(_in_degrees(grid), flatten) for grid in coded}


def points_of(part: pl.DataFrame, grid: int) -> FloatArray:
    """Places of rows as recorded, shape (n, 2); NaN where there is none."""
    names = ("lon", "lat") if grid == DEGREES else ("x", "y")
    return part.select(pl.col(names).fill_null(float("nan"))).to_numpy().astype(float)


def moved(points: FloatArray, move: Mover | None) -> FloatArray:
    """Points in the map's grid; NaN where one has no place there."""
    if move is None:
        return points
    there = move(points)
    return np.where(np.isfinite(there), there, np.nan)


def _in_degrees(grid: int) -> Mover:
    return (lambda points: points) if grid == DEGREES else _transform(f"EPSG:{grid}", "EPSG:4326")


def _transform(source: str | CRS, target: str | CRS) -> Mover:
    transformer = Transformer.from_crs(source, target, always_xy=True)
    return lambda points: np.column_stack(transformer.transform(points[:, 0], points[:, 1]))


def _flattener(in_degrees: Mover, flatten: Mover) -> Mover:
    return lambda points: flatten(in_degrees(points)) * FEET_PER_METRE


def outlines(wkt: pl.Series, move: Mover | None) -> pl.Series:
    """Move outlines; one that is no geometry is left out, for it cannot be drawn."""
    if move is None or wkt.null_count() == len(wkt):
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
