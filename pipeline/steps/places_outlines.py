"""Cells and outlines of zones in the map's grid, and the same in degrees."""

from __future__ import annotations

import numpy as np
import polars as pl
import shapely

from models.looks import FloatArray

#: Outlines pass this far outside the middles of the lots [ft].
MARGIN_FT = 60.0


def cell_names(x: FloatArray, y: FloatArray, side: float) -> pl.Series:
    """Name the square cell of each place by its column and row; the grid's lines pass through 0."""
    column, row = (np.floor(np.asarray(at) / side).astype(np.int64) for at in (x, y))
    names = pl.DataFrame({"column": column, "row": row})
    return names.select(pl.format("{}:{}", "column", "row").alias("cell")).to_series()


def hull(x: FloatArray, y: FloatArray) -> shapely.Geometry:
    """Convex hull of places with a margin."""
    points = shapely.multipoints(np.column_stack((x, y)))
    return shapely.buffer(shapely.convex_hull(points), MARGIN_FT, quad_segs=3)


def in_feet(shape: shapely.Geometry) -> str:
    """Return an outline as WKT in the map's grid."""
    return str(shapely.to_wkt(shape, rounding_precision=1))


def in_degrees(
    shape: shapely.Geometry, x: FloatArray, y: FloatArray, lon: FloatArray, lat: FloatArray
) -> str | None:
    """Return an outline as WKT in degrees, by the lots whose place is known in both.

    Parameters
    ----------
    shape : Geometry
        In the map's grid.
    x, y, lon, lat : ndarray, shape (n,)
        Lots in and around the outline; NaN where not known.

    Returns
    -------
    str or None
        None where fewer than three lots that do not lie on one line have degrees.

    Notes
    -----
    Over a hot spot the map is a plane: an affine map fitted to the lots is true to a foot.
    """
    known = np.isfinite(lon) & np.isfinite(lat) & np.isfinite(x) & np.isfinite(y)
    if known.sum() < 3:
        return None
    middle = np.array([x[known].mean(), y[known].mean()])
    terms = np.column_stack((np.ones(known.sum()), x[known] - middle[0], y[known] - middle[1]))
    fitted, _, rank, _ = np.linalg.lstsq(terms, np.column_stack((lon[known], lat[known])), rcond=None)
    if rank < 3:
        return None

    def move(points: FloatArray) -> FloatArray:
        moved: FloatArray = np.column_stack((np.ones(len(points)), points - middle)) @ fitted
        return moved

    return str(shapely.to_wkt(shapely.transform(shape, move), rounding_precision=7))
