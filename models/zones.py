"""Candidate zones of a spatial scan: circles around sites, kept as lists of neighbours by distance.

A layer is one way of lumping points into sites (each point its own, cells of a fine or a coarse grid,
blocks). A zone is a layer's centre and a position in its list of neighbours. `models.scan` judges them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import KDTree
from scipy.spatial.distance import cdist

from models.compiled import compiled
from models.errors import ModelInputError
from models.looks import BoolArray, FloatArray, IntArray

#: Up to so many points every point is a site of its own, with all circles up to the cap.
LARGEST_EXACT = 2_000
#: Points per cell of the fine grid, and the most cells; neighbours of a cell.
FINE_POINTS = 3.0
MOST_FINE_CELLS = 40_000
FINE_NEIGHBOURS = 200
#: Cells of the coarse grid along the longer side, at most, and points per cell, at least.
COARSE_CELLS = 64
COARSE_POINTS = 8.0
#: Neighbours of a block.
BLOCK_NEIGHBOURS = 40
#: Distances that differ by less than this share are the same distance: a circle is closed.
TIE = 1e-9
#: A grid with more cells than this, occupied or not, is searched by a tree instead of by offsets.
LARGEST_LATTICE = 20_000_000


@dataclass(frozen=True, kw_only=True)
class Layer:
    """One way of lumping points into sites, and the circles around those sites.

    Attributes
    ----------
    name : str
        'points', 'fine cells', 'coarse cells' or 'blocks'.
    site : ndarray of int32, shape (n_points,)
        Site of each point; -1 where it has none.
    x, y : ndarray, shape (n_sites,)
        Place of each site, in the unit of the points.
    first : ndarray of int64, shape (n_sites + 1,)
        Where the list of each centre starts in `neighbour`.
    neighbour : ndarray of int32
        Sites by increasing distance, the centre itself first; cut where the cap is passed.
    is_end : ndarray of bool
        A closed circle ends here: the next site is farther away.
    """

    name: str
    site: NDArray[np.int32]
    x: FloatArray
    y: FloatArray
    first: IntArray
    neighbour: NDArray[np.int32]
    is_end: BoolArray

    @property
    def n_sites(self) -> int:
        """Number of sites."""
        return len(self.x)

    def sites_of(self, entry: int) -> NDArray[np.int32]:
        """Sites of the zone that ends at an entry of `neighbour`."""
        centre = self.centre_of(entry)
        return self.neighbour[self.first[centre] : entry + 1]

    def centre_of(self, entry: int) -> int:
        """Centre of the zone that ends at an entry."""
        return int(np.searchsorted(self.first, entry, side="right")) - 1

    def radius_of(self, entry: int) -> float:
        """Distance from the centre to the farthest site."""
        centre, last = self.centre_of(entry), self.neighbour[entry]
        return float(np.hypot(self.x[last] - self.x[centre], self.y[last] - self.y[centre]))


def points_layer(x: ArrayLike, y: ArrayLike, weight: ArrayLike, *, cap: float) -> Layer:
    """Circles around every distinct place, up to a share of the total weight.

    Parameters
    ----------
    x, y : array, shape (n_points,)
        Places; points at one place share a site.
    weight : array, shape (n_points,)
        What the cap counts: expected events, or people.
    cap : float
        Largest share of the total weight in a zone, 0 to 1.
    """
    places = np.column_stack((np.asarray(x, dtype=float), np.asarray(y, dtype=float)))
    distinct, site = np.unique(places, axis=0, return_inverse=True)
    return _around_places(
        "points", site.reshape(-1), distinct, np.asarray(weight, dtype=float), cap, len(distinct)
    )


def blocks_layer(
    x: ArrayLike,
    y: ArrayLike,
    block: ArrayLike,
    weight: ArrayLike,
    *,
    cap: float,
    most: int = BLOCK_NEIGHBOURS,
) -> Layer:
    """Circles around the middles of blocks.

    Parameters
    ----------
    x, y, weight : array, shape (n_points,)
    block : array of int, shape (n_points,)
        Block of each point, 0 … n_blocks - 1; -1 for none.
    cap : float
        Largest share of the total weight in a zone.
    most : int
        Most blocks in a zone.
    """
    number = np.asarray(block, dtype=np.int64)
    inside = number >= 0
    n_blocks = int(number.max(initial=-1)) + 1
    size = np.maximum(np.bincount(number[inside], minlength=n_blocks), 1)
    middle = np.column_stack(
        [
            np.bincount(number[inside], np.asarray(at, dtype=float)[inside], minlength=n_blocks) / size
            for at in (x, y)
        ]
    )
    return _around_places("blocks", number, middle, np.asarray(weight, dtype=float), cap, most)


def grid_layer(
    name: str, x: ArrayLike, y: ArrayLike, weight: ArrayLike, *, size: float, cap: float, most: int
) -> Layer:
    """Circles around the occupied cells of a square grid.

    Parameters
    ----------
    name : str
    x, y, weight : array, shape (n_points,)
    size : float
        Side of a cell, in the unit of x and y.
    cap : float
        Largest share of the total weight in a zone.
    most : int
        Most cells in a zone.
    """
    column, row = (
        np.floor((np.asarray(at, dtype=float) - np.min(at)) / size).astype(np.int64) for at in (x, y)
    )
    n_rows, n_columns = int(row.max()) + 1, int(column.max()) + 1
    key, site = np.unique(column * n_rows + row, return_inverse=True)
    places = np.column_stack((key // n_rows, key % n_rows))
    weights = np.asarray(weight, dtype=float)
    at = (places + 0.5) * size + np.array([np.min(x), np.min(y)])
    if n_rows * n_columns > LARGEST_LATTICE:
        layer = _around_places(name, site.reshape(-1), places.astype(float), weights, cap, most)
        return Layer(**{**vars(layer), "x": at[:, 0], "y": at[:, 1]})
    lattice = np.full((n_columns, n_rows), -1, dtype=np.int32)
    lattice[places[:, 0], places[:, 1]] = np.arange(len(places), dtype=np.int32)
    offsets = _offsets(max(n_columns, n_rows), most, len(places) / (n_columns * n_rows))
    of_site = np.bincount(site.reshape(-1), weights, minlength=len(places)).astype(float)
    lists = _lattice_lists(lattice, places, offsets, of_site, cap * weights.sum(), most)
    return Layer(
        name=name,
        site=site.reshape(-1).astype(np.int32),
        x=at[:, 0],
        y=at[:, 1],
        first=lists[0],
        neighbour=lists[1],
        is_end=lists[2].astype(np.bool_),
    )


def town_layers(
    x: ArrayLike, y: ArrayLike, weight: ArrayLike, *, block: ArrayLike | None = None, cap: float = 0.25
) -> tuple[Layer, ...]:
    """Layers for a town of any size: points where they are few, else fine and coarse cells; and blocks.

    Parameters
    ----------
    x, y, weight : array, shape (n_points,)
        Places, in one unit of length, and expected events.
    block : array of int, shape (n_points,), optional
        Block of each point; -1 for none.
    cap : float
        Largest share of the total weight in a zone.

    Returns
    -------
    tuple of Layer

    Raises
    ------
    ModelInputError
        Fewer than two points, a place that is not finite, a weight that is negative, or none above 0.

    Notes
    -----
    A circle of cells holds whole cells, so its edge is true to a cell. Fine cells carry circles of up to
    `FINE_NEIGHBOURS` cells, coarse ones all up to the cap; the largest of all is what counts.
    """
    places = np.column_stack((np.asarray(x, dtype=float), np.asarray(y, dtype=float)))
    weights = np.asarray(weight, dtype=float)
    if len(places) < 2:
        raise ModelInputError("a scan needs at least two points.")
    if not np.isfinite(places).all():
        raise ModelInputError("a place is not finite.", row=int(np.argmax(~np.isfinite(places).all(axis=1))))
    if not (np.all(weights >= 0) and weights.sum() > 0):
        raise ModelInputError("weights must be 0 or more, and some above 0.")
    across, along = places[:, 0], places[:, 1]
    layers = []
    if len(places) <= LARGEST_EXACT:
        layers.append(points_layer(across, along, weights, cap=cap))
    else:
        fine = _fine_size(places)
        coarse = max(
            max(np.ptp(across), np.ptp(along)) / COARSE_CELLS * (1 + 1e-9),
            fine * np.sqrt(COARSE_POINTS / FINE_POINTS),
        )
        layers.append(
            grid_layer("fine cells", across, along, weights, size=fine, cap=cap, most=FINE_NEIGHBOURS)
        )
        layers.append(
            grid_layer("coarse cells", across, along, weights, size=coarse, cap=cap, most=COARSE_CELLS**2)
        )
    if block is not None and np.max(block, initial=-1) >= 1:
        layers.append(blocks_layer(across, along, block, weights, cap=cap))
    return tuple(layers)


def _fine_size(places: FloatArray) -> float:
    """Side at which a cell holds `FINE_POINTS` points on average, or cells number `MOST_FINE_CELLS`."""
    wanted = min(len(places) / FINE_POINTS, MOST_FINE_CELLS)
    start = places.min(axis=0)
    extent = np.maximum(np.ptp(places, axis=0), 1e-12)
    size = float(np.sqrt(extent.prod() / wanted))
    for _ in range(6):
        cells = np.floor((places - start) / size).astype(np.int64)
        count = len(np.unique(cells[:, 0] * (int(cells[:, 1].max()) + 1) + cells[:, 1]))
        if 0.9 * wanted <= count <= 1.05 * wanted:
            break
        size *= float(np.sqrt(count / wanted))
    return size


def _around_places(
    name: str, site: NDArray[Any], places: FloatArray, weight: FloatArray, cap: float, most: int
) -> Layer:
    inside = site >= 0
    of_site = np.bincount(site[inside], weight[inside], minlength=len(places)).astype(float)
    limit = cap * weight.sum()
    n_sites, most = len(places), min(most, len(places))
    if most == n_sites:
        parts = [
            _cut(cdist(places[rows], places), None, of_site, limit)
            for rows in np.array_split(np.arange(n_sites), max(1, n_sites * n_sites // 4_000_000))
        ]
    else:
        # One more than wanted shows whether the last distance is complete.
        distance, near = KDTree(places).query(places, k=most + 1, workers=-1)
        parts = [_cut(distance, near, of_site, limit)]
    return Layer(
        name=name,
        site=site.astype(np.int32),
        x=places[:, 0].copy(),
        y=places[:, 1].copy(),
        first=np.concatenate(([0], np.cumsum(np.concatenate([part[0] for part in parts])))).astype(np.int64),
        neighbour=np.concatenate([part[1] for part in parts]).astype(np.int32),
        is_end=np.concatenate([part[2] for part in parts]),
    )


def _cut(
    distance: FloatArray, near: NDArray[Any] | None, of_site: FloatArray, limit: float
) -> tuple[IntArray, NDArray[Any], BoolArray]:
    """Sort by distance (ties by site), mark where circles end, cut at the cap; all rows at once."""
    # Equal distances are made equal bit by bit, so that ties are in the order of sites.
    scale = max(float(distance.max(initial=0.0)), 1e-300)
    step = np.round(distance / (TIE * scale)).astype(np.int64)
    order = np.argsort(step, axis=1, kind="stable") if near is None else np.lexsort((near, step), axis=1)
    found = order if near is None else np.take_along_axis(near, order, axis=1)
    step = np.take_along_axis(step, order, axis=1)
    is_end = np.ones(found.shape, dtype=np.bool_)
    is_end[:, :-1] = step[:, 1:] > step[:, :-1]
    if near is not None:
        # The list was cut short: its last distance may be shared by sites that are not in it.
        is_end[:, -1] = False
    within = np.cumsum(of_site[found], axis=1) <= limit * (1 + 1e-12)
    is_end &= within
    length = found.shape[1] - np.argmax(is_end[:, ::-1], axis=1)
    length[~is_end.any(axis=1)] = 0
    kept = np.arange(found.shape[1]) < length[:, None]
    return length.astype(np.int64), found[kept], is_end[kept]


def _offsets(longest: int, most: int, occupied: float) -> IntArray:
    """Cells by distance from a cell: far enough for `most` occupied ones; columns: across, along, squared."""
    reach = min(longest, int(np.ceil(3 * np.sqrt(most / np.pi / max(occupied, 1e-3)))) + 2)
    span = np.arange(-reach, reach + 1)
    across, along = (grid.ravel() for grid in np.meshgrid(span, span, indexing="ij"))
    squared = across**2 + along**2
    if reach < longest:
        # Beyond `reach` the square's corners are only part of what is at that distance.
        inside = squared <= reach**2
        across, along, squared = across[inside], along[inside], squared[inside]
    order = np.lexsort((along, across, squared))
    return np.column_stack((across, along, squared))[order].astype(np.int64)


@compiled
def _lattice_lists(
    lattice: NDArray[np.int32],
    places: IntArray,
    offsets: IntArray,
    weight: FloatArray,
    limit: float,
    most: int,
) -> tuple[IntArray, NDArray[np.int32], NDArray[np.uint8]]:
    """Neighbour lists of all centres, in two passes: count, then fill."""
    n_sites = len(places)
    first = np.zeros(n_sites + 1, dtype=np.int64)
    found = np.zeros(len(offsets), dtype=np.int32)
    ends = np.zeros(len(offsets), dtype=np.uint8)
    for centre in range(n_sites):
        length = _one_list(lattice, places[centre], offsets, weight, limit, most, found, ends)
        first[centre + 1] = first[centre] + length
    neighbour = np.zeros(first[n_sites], dtype=np.int32)
    is_end = np.zeros(first[n_sites], dtype=np.uint8)
    for centre in range(n_sites):
        length = _one_list(lattice, places[centre], offsets, weight, limit, most, found, ends)
        neighbour[first[centre] : first[centre + 1]] = found[:length]
        is_end[first[centre] : first[centre + 1]] = ends[:length]
    return first, neighbour, is_end


@compiled
def _one_list(
    lattice: NDArray[np.int32],
    place: IntArray,
    offsets: IntArray,
    weight: FloatArray,
    limit: float,
    most: int,
    found: NDArray[np.int32],
    ends: NDArray[np.uint8],
) -> int:
    """Write one centre's list into `found` and `ends`; return how long it is, in whole circles."""
    n_columns, n_rows = lattice.shape
    total, count, whole = 0.0, 0, 0
    for position in range(len(offsets)):
        column, row = place[0] + offsets[position, 0], place[1] + offsets[position, 1]
        if 0 <= column < n_columns and 0 <= row < n_rows and lattice[column, row] >= 0:
            found[count] = lattice[column, row]
            ends[count] = 0
            total += weight[found[count]]
            count += 1
        is_last = position == len(offsets) - 1 or offsets[position + 1, 2] > offsets[position, 2]
        if is_last and count > whole:
            if total > limit * (1 + 1e-12) or count > most:
                break
            ends[count - 1] = 1
            whole = count
    return whole


def members(layer: Layer, entry: int) -> IntArray:
    """Points inside the zone that ends at an entry, in increasing order."""
    inside = np.zeros(layer.n_sites + 1, dtype=np.bool_)
    inside[layer.sites_of(entry)] = True
    # Points without a site have -1, which is the last place and False.
    inside[-1] = False
    return np.flatnonzero(inside[layer.site])


def n_zones(layers: Sequence[Layer]) -> int:
    """Number of circles in all layers."""
    return sum(int(layer.is_end.sum()) for layer in layers)
