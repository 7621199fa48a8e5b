"""Mains, manholes and tie-ins in the grid of the map.

Their places are on record in the grid of the lots; a sewer that no lot ties into is put there only where all
lots share one grid.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import polars as pl
import shapely

from models.looks import FloatArray
from pipeline.steps.build_places import GRID, Mover, map_movers, moved, outlines
from pipeline.warehouse import Warehouse, sql_text

Movers = dict[int, Mover | None]
LINES = {shapely.GeometryType.LINESTRING.value, shapely.GeometryType.MULTILINESTRING.value}
BOUNDS = ("x_min_ft", "y_min_ft", "x_max_ft", "y_max_ft")


def sewers_on_map(
    warehouse: Warehouse, lots: pl.DataFrame, connections: pl.DataFrame
) -> dict[str, pl.DataFrame]:
    """Make the published `mains`, `manholes` and `tie_ins`.

    Parameters
    ----------
    warehouse : Warehouse
        Open.
    lots : DataFrame
        As recorded: `lot_id, x, y, epsg, lon, lat`.
    connections : DataFrame
        Published `connections`.
    """
    movers = map_movers(lots)
    ends = connections.select("lot_id", "main_id", "manhole_id", own_x="tie_in_x", own_y="tie_in_y").join(
        lots.select("lot_id", "epsg", "x", "lon"), on="lot_id", how="left"
    )
    return {
        "mains": place_lines(warehouse.frame(sql_text("published/mains")), movers),
        "manholes": place_points(warehouse.frame(sql_text("published/manholes")), movers),
        "tie_ins": place_points(ends, movers),
    }


def place_points(points: pl.DataFrame, movers: Movers) -> pl.DataFrame:
    """Turn `own_x, own_y` in the grid that `epsg, x, lon` tell into `x_ft, y_ft`."""

    def place(part: pl.DataFrame, move: Mover | None) -> pl.DataFrame:
        own = part.select(pl.col("own_x", "own_y").fill_null(float("nan"))).to_numpy().astype(float)
        return part.with_columns(_columns(("x_ft", "y_ft"), moved(own, move)))

    return _by_grid(points, movers, place).drop("own_x", "own_y")


def place_lines(lines: pl.DataFrame, movers: Movers) -> pl.DataFrame:
    """Move `outline_wkt` in the grid that `epsg, x, lon` tell, and add its bounds; what is no line is left out."""

    def place(part: pl.DataFrame, move: Mover | None) -> pl.DataFrame:
        wkt = outlines(part["outline_wkt"], move)
        shapes = shapely.from_wkt(wkt.to_list(), on_invalid="ignore")
        bounds = shapely.bounds(shapes)
        is_line = np.isin(shapely.get_type_id(shapes), list(LINES)) & np.isfinite(bounds).all(axis=1)
        drawn = pl.Series(is_line)
        return part.with_columns(_columns(BOUNDS, np.where(is_line[:, None], bounds, np.nan))).with_columns(
            outline_wkt=pl.select(pl.when(drawn).then(wkt)).to_series()
        )

    return _by_grid(lines, movers, place)


def _columns(names: tuple[str, ...], values: FloatArray) -> list[pl.Series]:
    return [pl.Series(name, values[:, i], nan_to_null=True) for i, name in enumerate(names)]


def _by_grid(
    rows: pl.DataFrame, movers: Movers, place: Callable[[pl.DataFrame, Mover | None], pl.DataFrame]
) -> pl.DataFrame:
    """Place the rows of each grid; those of a grid that no lot has told cannot be placed."""
    has_lot = pl.any_horizontal(pl.col("epsg", "x", "lon").is_not_null())
    only = next(iter(movers)) if len(movers) == 1 else None
    known = rows.with_row_index("place").with_columns(grid=pl.when(has_lot).then(GRID).otherwise(only))
    parts = []
    for (grid,), part in known.group_by("grid", maintain_order=True):
        is_known = grid is not None and int(str(grid)) in movers
        move = movers[int(str(grid))] if is_known else _nowhere
        parts.append(place(part, move))
    placed = pl.concat(parts) if parts else place(known, None)
    return placed.sort("place").drop("place", "grid", "epsg", "x", "lon")


def _nowhere(points: FloatArray) -> FloatArray:
    return np.full_like(points, np.nan)
