"""The core of a zone: which of its points are found again when the points are drawn anew."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from models.looks import FloatArray, IntArray
from models.scan import Zone
from models.scan_loops import reweighted_maxima, running_weight
from models.zones import Layer, members

#: Draws side by side.
DRAWS = 128
#: Points within so many radii of the zone's centre are drawn anew; circles stay within them.
REACH = 4.0
#: Even around a zone of a single place so many points are drawn anew.
LEAST_POINTS = 30


def core_membership(
    layers: Sequence[Layer],
    zone: Zone,
    events: ArrayLike,
    expected: ArrayLike,
    places: tuple[ArrayLike, ArrayLike],
    *,
    rng: np.random.Generator,
    variance: ArrayLike | None = None,
) -> FloatArray:
    """How often each point of a zone is found again when the points are drawn anew.

    Parameters
    ----------
    layers : sequence of Layer
        That the zone was found in.
    zone : Zone
        From `find_zones` with the Poisson statistic.
    events, expected : array, shape (n_points,)
        As given to `find_zones`.
    places : tuple of array, each shape (n_points,)
        x and y of the points.
    rng : numpy.random.Generator
    variance : array, shape (n_points,), optional
        As for `find_zones`.

    Returns
    -------
    ndarray, shape (len(zone.points),)
        Share of `DRAWS` draws, 0 to 1, whose best circle around there holds the point.

    Notes
    -----
    Bootstrap by Poisson weights of mean 1 on the points around the zone, whatever was seen at them; the rest
    of the town stays as it is. Points at the edge, and those by which chance stretched the zone, come and go;
    the core stays.
    """
    y, e = np.asarray(events, dtype=float), np.asarray(expected, dtype=float)
    spread = e if variance is None else np.asarray(variance, dtype=float)
    scale = y.sum() / e.sum()
    e, spread = e * scale, spread * scale
    away = np.hypot(np.asarray(places[0]) - zone.x, np.asarray(places[1]) - zone.y)
    reach = max(REACH * zone.radius, float(np.sort(away)[min(LEAST_POINTS, len(away) - 1)]))
    near = np.flatnonzero(away <= reach * (1 + 1e-9))
    weight = rng.poisson(1.0, size=(len(near), DRAWS)).astype(np.float32)
    best, found, layer_of = np.zeros(DRAWS), np.full(DRAWS, -1), np.full(DRAWS, -1)
    for number, layer in enumerate(layers):
        sums = [_site_sums(layer, near, weight, values) for values in (y, e)]
        entries = np.full(DRAWS, -1, dtype=np.int64)
        reweighted_maxima(
            layer.first,
            layer.neighbour,
            layer.is_end,
            np.hypot(layer.x - zone.x, layer.y - zone.y) > reach * (1 + 1e-9),
            sums[0],
            sums[1],
            _dispersion(layer, e, spread),
            float(y.sum()),
            best,
            entries,
        )
        found[entries >= 0], layer_of[entries >= 0] = entries[entries >= 0], number
    times = np.zeros(len(y))
    for number, entry in zip(layer_of, found, strict=True):
        if entry >= 0:
            times[members(layers[number], int(entry))] += 1
    share: FloatArray = times[zone.points] / DRAWS
    return share


def _dispersion(layer: Layer, expected: FloatArray, spread: FloatArray) -> NDArray[np.float32]:
    """Variance over expected number of every circle."""
    inside = layer.site >= 0
    sums = [
        np.bincount(layer.site[inside], values[inside], minlength=layer.n_sites).astype(float)
        for values in (expected, spread)
    ]
    held = [running_weight(layer.first, layer.neighbour, values) for values in sums]
    ratio: NDArray[np.float32] = (np.maximum(held[1], 1e-12) / np.maximum(held[0], 1e-12)).astype(np.float32)
    return ratio


def _site_sums(
    layer: Layer, near: IntArray, weight: NDArray[np.float32], values: FloatArray
) -> NDArray[np.float32]:
    """Weighted sums by site in each draw."""
    site = layer.site[near]
    kept = (site >= 0) & (values[near] > 0)
    sums: NDArray[Any] = np.zeros((layer.n_sites, weight.shape[1]), dtype=np.float32)
    np.add.at(sums, site[kept], weight[kept] * values[near][kept, None].astype(np.float32))
    return sums
