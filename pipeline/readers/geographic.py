"""GeoJSON, GeoPackage and shapefile, through pyogrio.

Each feature is a row: its attributes, and from its geometry `outline_wkt` and the centre. In a projected grid
the centre is `x`, `y`, with the grid's `epsg`; in geographic coordinates it is `lon`, `lat` on WGS 84. A GeoJSON
file means degrees (RFC 7946, section 4) unless it has the older "crs" member, or the column map names its grid. Rows
are numbered from 2, as if the names stood in row 1.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np
import polars as pl
import pyogrio
import shapely
from pyproj import CRS, Transformer
from pyproj.exceptions import CRSError

from pipeline.column_rules import LOCAL_GRID
from pipeline.errors import InputFileError
from pipeline.readers.parquet import as_text
from pipeline.readers.raw import RawRows, reject_rows, sha256_of, unique_headers
from pipeline.vocabulary import RejectReason

WGS84 = 4326
#: Decimals kept of a degree (about 1 cm) and of a grid unit.
DEGREE_DECIMALS, GRID_DECIMALS = 7, 3


def read(path: Path, *, sheet: str | None, grid: int | str | None = None) -> RawRows:
    """Read one layer of a geographic file.

    Raises
    ------
    InputFileError
        Damaged or cut off, no such layer, no features, or `grid` is no coordinate system.
    """
    _refuse_cut_off(path)
    layer, others = _layer(path, sheet)
    try:
        meta, _, geometry, fields = pyogrio.raw.read(path, layer=layer)
    except (
        pyogrio.errors.DataSourceError,
        pyogrio.errors.DataLayerError,
        pyogrio.errors.FeatureError,
    ) as exc:
        raise _damaged(path) from exc
    frame = pl.DataFrame(
        {name: _attribute(values) for name, values in zip(meta["fields"], fields, strict=True)}
    )
    if geometry is None or not len(geometry):
        raise InputFileError(path, "there are no features in it.", "Choose the file that holds the records.")
    shapes = shapely.from_wkb(geometry)
    place, wrong = _places(shapes, _crs(path, meta["crs"]) if grid is None else _named_grid(path, grid))
    frame = pl.DataFrame(place).with_columns(
        frame.select(pl.exclude(list(place)).name.keep()) if frame.width else []
    )
    rows = as_text(frame)
    malformed = reject_rows(
        [(int(i) + 2, column, value, RejectReason.WRONG_PLACE, reason) for i, column, value, reason in wrong]
    )
    return RawRows(
        path,
        sha256_of(path),
        layer,
        unique_headers(frame.columns),
        rows.join(malformed.select("source_row"), on="source_row", how="anti", maintain_order="left"),
        malformed,
        others,
    )


def _damaged(path: Path) -> InputFileError:
    return InputFileError(
        path,
        "the file is damaged, incomplete, or not the geographic format that its name says.",
        "Export it again; a shapefile needs its .shp, .shx and .dbf side by side.",
    )


def _refuse_cut_off(path: Path) -> None:
    """Refuse a shapefile that is shorter than it says; GDAL would read the lost shapes as empty ones.

    The header holds the length in 16-bit words (ESRI Shapefile Technical Description, 1998, page 4).
    """
    if path.suffix.lower() != ".shp":
        return
    with path.open("rb") as file:
        header = file.read(28)
    if path.stat().st_size < 2 * int.from_bytes(header[24:28], "big"):
        raise _damaged(path)


def _layer(path: Path, sheet: str | None) -> tuple[str, tuple[str, ...]]:
    """Return the layer asked for, or the first, and the others."""
    try:
        layers = [str(name) for name, _ in pyogrio.list_layers(path)]
    except pyogrio.errors.DataSourceError as exc:
        raise _damaged(path) from exc
    if not layers:
        raise InputFileError(path, "there are no layers in it.", "Choose the file that holds the records.")
    if sheet is None:
        sheet = layers[0]
    if sheet not in layers:
        raise InputFileError(path, f"there is no layer '{sheet}'.", f"Its layers are: {', '.join(layers)}.")
    return sheet, tuple(layer for layer in layers if layer != sheet)


def _attribute(values: np.ndarray) -> pl.Series:
    if values.dtype.kind == "M":
        return pl.Series(values.astype("datetime64[ms]"))
    if values.dtype == object:
        return pl.Series([None if value is None else str(value) for value in values], dtype=pl.String)
    return pl.Series(values, nan_to_null=True)


def _crs(path: Path, text: str | None) -> CRS | None:
    if not text:
        return None
    try:
        return CRS.from_user_input(text)
    except CRSError as exc:
        raise InputFileError(
            path, "its coordinate system cannot be understood.", "Export it with an EPSG coordinate system."
        ) from exc


def _named_grid(path: Path, grid: int | str) -> CRS | None:
    if not isinstance(grid, int):
        return None
    try:
        crs = CRS.from_epsg(grid)
    except CRSError:
        crs = None
    if crs is None or not (crs.is_projected or crs.is_geographic):
        raise InputFileError(
            path,
            f"the column map names the grid {grid}, which is no EPSG code of a map's coordinates.",
            "Correct the line grid = … of the map.",
        )
    return crs


def _places(
    shapes: np.ndarray, crs: CRS | None
) -> tuple[Mapping[str, pl.Series], list[tuple[int, str, str, str]]]:
    """Return the columns made from the geometry, and (position, column, value, reason) of impossible places."""
    centre = shapely.centroid(shapes)
    x, y = shapely.get_x(centre), shapely.get_y(centre)
    if crs is None or not crs.is_geographic:
        epsg = None if crs is None else crs.to_epsg(min_confidence=70)
        return _on_grid(shapes, x, y, epsg), []
    wrong = np.flatnonzero((np.abs(x) > 180) | (np.abs(y) > 90))
    is_grid = len(wrong) == len(shapes)
    faults = [
        (
            int(i),
            "x" if is_grid else "lon",
            f"{x[i]:.10g} {y[i]:.10g}",
            "The file says that its coordinates are degrees, but these cannot be; they look like feet or metres "
            "of a grid. Export it with its true coordinate system, or name that in the column map: grid = its EPSG code, "
            f'or grid = "{LOCAL_GRID}" for feet without a code.',
        )
        for i in wrong
    ]
    if is_grid:
        # The rows are refused, but their columns are those that a map with the grid will have.
        return _on_grid(shapes, x, y, None), faults
    x[wrong] = y[wrong] = np.nan
    if crs.to_epsg() != WGS84:
        x, y = Transformer.from_crs(crs, WGS84, always_xy=True).transform(x, y)
    return {
        "outline_wkt": _wkt(shapes, DEGREE_DECIMALS),
        "lon": pl.Series(np.round(_finite(x), DEGREE_DECIMALS), nan_to_null=True),
        "lat": pl.Series(np.round(_finite(y), DEGREE_DECIMALS), nan_to_null=True),
    }, faults


def _on_grid(shapes: np.ndarray, x: np.ndarray, y: np.ndarray, epsg: int | None) -> Mapping[str, pl.Series]:
    return {
        "outline_wkt": _wkt(shapes, GRID_DECIMALS),
        "x": pl.Series(np.round(x, GRID_DECIMALS), nan_to_null=True),
        "y": pl.Series(np.round(y, GRID_DECIMALS), nan_to_null=True),
        "epsg": pl.Series([epsg] * len(shapes), dtype=pl.Int64),
    }


def _finite(values: np.ndarray) -> np.ndarray:
    return np.where(np.isfinite(values), values, np.nan)


def _wkt(shapes: np.ndarray, decimals: int) -> pl.Series:
    """Write areas and lines as WKT; a point has no outline."""
    texts = shapely.to_wkt(shapely.force_2d(shapes), rounding_precision=decimals)
    has_outline = shapely.get_dimensions(shapes) > 0
    return pl.Series(
        [str(text) if has else None for text, has in zip(texts, has_outline, strict=True)], dtype=pl.String
    )
