"""The core of a zone: which of its points are found again when the events are drawn anew."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from models.looks import FloatArray
from models.scan import Zone
from models.scan_draws import count_sites, draw_towns
from models.scan_loops import maxima
from models.scan_null import LANES, describe_town, zone_table
from models.zones import Layer, members


def core_membership(
    layers: Sequence[Layer],
    zone: Zone,
    chance: ArrayLike,
    total: int,
    *,
    rng: np.random.Generator,
    n_draws: int = LANES,
) -> FloatArray:
    """How often each point of a zone is found again when the events are drawn anew.

    Parameters
    ----------
    layers : sequence of Layer
    zone : Zone
        From `find_zones` with the Poisson statistic.
    chance : array, shape (n_points,)
        Baseline chances.
    total : int
        Events seen in the whole town.
    rng : numpy.random.Generator
    n_draws : int
        At most `LANES`.

    Returns
    -------
    ndarray, shape (len(zone.points),)
        Share of the draws, 0 to 1, whose best circle near the zone holds the point.

    Notes
    -----
    Parametric bootstrap: inside the zone hazards are multiplied so that as many events are expected as were
    seen; only circles around the zone's own surroundings are looked at. Points at its edge come and go; its
    core stays.
    """
    p = _lifted(np.asarray(chance, dtype=float), zone)
    town = describe_town(layers, chance, total, "poisson", None, None)
    drawn = draw_towns(p, total, None, rng, n_draws)
    floor = 0.25 * zone.log_ratio
    best, found = np.full(n_draws, floor), np.full(n_draws, -1, dtype=np.int64)
    layer_of = np.full(n_draws, -1)
    for number, layer in enumerate(town.layers):
        near = np.flatnonzero(np.hypot(layer.x - zone.x, layer.y - zone.y) <= 2 * zone.radius + 1e-9)
        inside, least = zone_table(town, number, floor)[:2]
        entries = np.full(n_draws, -1, dtype=np.int64)
        maxima(
            0,
            layer.first,
            layer.neighbour,
            layer.is_end,
            near,
            count_sites(layer, drawn),
            inside,
            least,
            float(total),
            town.whole,
            np.zeros(n_draws, dtype=least.dtype),
            best,
            entries,
        )
        found[entries >= 0], layer_of[entries >= 0] = entries[entries >= 0], number
    times = np.zeros(len(p))
    for number, entry in zip(layer_of, found, strict=True):
        if entry >= 0:
            times[members(town.layers[number], int(entry))] += 1
    share: FloatArray = times[zone.points] / n_draws
    return share


def _lifted(chance: FloatArray, zone: Zone) -> FloatArray:
    """Chances with hazards inside the zone multiplied so that its observed number is expected."""
    lifted = chance.copy()
    hazard = -np.log(np.clip(1 - chance[zone.points], 1e-12, 1.0))
    low, high = 0.0, 1e4
    for _ in range(60):
        factor = np.sqrt(max(low, 1e-6) * high)
        if -np.expm1(-hazard * factor).sum() < zone.observed:
            low = factor
        else:
            high = factor
    lifted[zone.points] = -np.expm1(-hazard * high)
    return lifted
