"""Grids in which records keep their places, as feet of a plane and as longitude and latitude."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import polars as pl
from pyproj import CRS, Transformer

from models.looks import FloatArray

FEET_PER_METRE = 1 / 0.3048
Mover = Callable[[FloatArray], FloatArray]


@dataclass(frozen=True, slots=True)
class Grid:
    """How coordinates as recorded become feet of a plane, and degrees.

    Attributes
    ----------
    to_feet : callable
        Points, shape (n, 2), to feet of some plane.
    to_degrees : callable or None
        Points to longitude and latitude; None for a local grid without a code.
    """

    to_feet: Mover
    to_degrees: Mover | None


def by_grid(places: pl.DataFrame) -> list[pl.DataFrame]:
    """Split rows with `x, y, epsg, lon, lat` by their grid; adds `own_x, own_y, is_degrees`."""
    own = places.with_columns(
        own_x=pl.coalesce("x", "lon"),
        own_y=pl.coalesce("y", "lat"),
        is_degrees=pl.col("x").is_null() & pl.col("lon").is_not_null(),
    )
    return own.partition_by("epsg", "is_degrees", maintain_order=True) if own.height else []


def grid_of(part: pl.DataFrame) -> Grid:
    """Return the grid of one part of `by_grid`."""
    code, is_degrees = part["epsg"][0], part["is_degrees"][0]
    if code is None and not is_degrees:
        return Grid(to_feet=lambda points: points, to_degrees=None)
    grid = CRS.from_epsg(4326 if code is None or is_degrees else code)
    to_degrees = _mover(Transformer.from_crs(grid, "EPSG:4326", always_xy=True))
    if grid.is_projected:
        feet = grid.axis_info[0].unit_conversion_factor * FEET_PER_METRE
        return Grid(to_feet=lambda points: points * feet, to_degrees=to_degrees)
    middle = part.select(pl.col("own_x", "own_y").mean()).row(0)
    plane = CRS.from_proj4(
        f"+proj=aeqd +lat_0={middle[1] or 0} +lon_0={middle[0] or 0} +datum=WGS84 +units=ft"
    )
    return Grid(to_feet=_mover(Transformer.from_crs(grid, plane, always_xy=True)), to_degrees=to_degrees)


def _mover(transformer: Transformer) -> Mover:
    return lambda points: np.column_stack(transformer.transform(points[:, 0], points[:, 1]))


def lot_degrees(lots: pl.DataFrame) -> pl.DataFrame:
    """Return `lot_id, lon, lat` of lots with `x, y, epsg, lon, lat`; NULL on a grid without a code."""
    parts = []
    for part in by_grid(lots):
        grid = grid_of(part)
        points = part.select(pl.col("own_x", "own_y").fill_null(float("nan"))).to_numpy().astype(float)
        degrees = np.full_like(points, np.nan) if grid.to_degrees is None else grid.to_degrees(points)
        parts.append(pl.DataFrame({"lot_id": part["lot_id"], "lon": degrees[:, 0], "lat": degrees[:, 1]}))
    if not parts:
        return pl.DataFrame(schema={"lot_id": pl.String, "lon": pl.Float64, "lat": pl.Float64})
    return pl.concat(parts).with_columns(pl.col("lon", "lat").replace([float("inf"), float("nan")], None))
