"""Where a lateral meets the main: the point at its station on the main's centre line."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
import shapely
from numpy.typing import NDArray

from pipeline.steps.degrees import Grid, by_grid, grid_of


def tie_in_points(facts: pl.DataFrame) -> pl.DataFrame:
    """Find the point of each tie-in.

    Parameters
    ----------
    facts : DataFrame
        One row per connection: `lot_id, station_ft, main_wkt, manhole_x, manhole_y, x, y, epsg, lon, lat`; lines
        and manholes lie in the grid of the lots.

    Returns
    -------
    DataFrame
        `lot_id, tie_in_x, tie_in_y` in the grid of the lots, `lon, lat` [degrees; NULL on a grid without a
        code], `place`: 'manhole', 'station' (on the main), 'nearest' (the point of the main nearest to the lot,
        because the station is not on record), 'lot' (no main is drawn), or NULL.
    """
    parts = [_points_of_grid(part, grid_of(part)) for part in by_grid(facts)]
    if not parts:
        return pl.DataFrame(schema=POINT_SCHEMA)
    return pl.concat(parts).sort("lot_id")


POINT_SCHEMA = {
    "lot_id": pl.String,
    "tie_in_x": pl.Float64,
    "tie_in_y": pl.Float64,
    "lon": pl.Float64,
    "lat": pl.Float64,
    "place": pl.String,
}


def _points_of_grid(part: pl.DataFrame, grid: Grid) -> pl.DataFrame:
    lines = _lines(part["main_wkt"])
    has_line = ~shapely.is_missing(lines)
    station = part["station_ft"].fill_null(float("nan")).to_numpy()
    lot = part.select(pl.col("own_x", "own_y").fill_null(float("nan"))).to_numpy()
    manhole = part.select(pl.col("manhole_x", "manhole_y").fill_null(float("nan"))).to_numpy()
    is_manhole = np.isfinite(manhole).all(axis=1)
    by_station = has_line & np.isfinite(station) & ~is_manhole
    by_lot = has_line & np.isfinite(lot).all(axis=1) & ~by_station & ~is_manhole
    share = np.full(part.height, np.nan)
    flat = shapely.transform(lines[by_station], grid.to_feet)
    share[by_station] = np.clip(station[by_station] / np.maximum(shapely.length(flat), 1e-9), 0.0, 1.0)
    share[by_lot] = shapely.line_locate_point(lines[by_lot], shapely.points(lot[by_lot]), normalized=True)
    point = np.where(is_manhole[:, None], manhole, lot)
    on_line = by_station | by_lot
    point[on_line] = shapely.get_coordinates(
        shapely.line_interpolate_point(lines[on_line], share[on_line], normalized=True)
    )
    degrees = np.full_like(point, np.nan) if grid.to_degrees is None else grid.to_degrees(point)
    place = np.select(
        [is_manhole, by_station, by_lot, np.isfinite(point).all(axis=1)],
        ["manhole", "station", "nearest", "lot"],
        "",
    )
    return pl.DataFrame(
        {
            "lot_id": part["lot_id"],
            "tie_in_x": point[:, 0],
            "tie_in_y": point[:, 1],
            "lon": degrees[:, 0],
            "lat": degrees[:, 1],
            "place": place,
        },
        schema=POINT_SCHEMA,
    ).with_columns(
        pl.col("tie_in_x", "tie_in_y", "lon", "lat").replace([float("inf"), float("nan")], None),
        place=pl.col("place").replace("", None),
    )


def _lines(wkt: pl.Series) -> NDArray[Any]:
    """Centre lines; what is no line is missing."""
    # Many laterals meet one main: each outline is read once.
    distinct = wkt.unique(maintain_order=True)
    lines: NDArray[Any] = np.asarray(shapely.from_wkt(distinct.to_list(), on_invalid="ignore"), dtype=object)
    lines[shapely.get_type_id(lines) != shapely.GeometryType.LINESTRING.value] = None
    place = wkt.to_frame("wkt").join(
        distinct.to_frame("wkt").with_row_index("place"),
        on="wkt",
        how="left",
        nulls_equal=True,
        maintain_order="left",
    )["place"]
    found: NDArray[Any] = lines[place.to_numpy()]
    return found
