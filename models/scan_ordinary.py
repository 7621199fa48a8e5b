"""How chances move together in a town without a hot spot: areas differ, and the law is not known for sure."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from models.area_hazards import CallBounds, gamma_hazards, told_true
from models.looks import FloatArray, IntArray
from models.scan_draws import Frailty, Variation


def ordinary_variation(
    chance: ArrayLike,
    events: ArrayLike,
    block: ArrayLike,
    subdivision: ArrayLike,
    *,
    bounds: CallBounds | None = None,
    laws: FloatArray | None = None,
) -> Variation:
    """Estimate how blocks and subdivisions differ, for draws of a town without a hot spot.

    Parameters
    ----------
    chance : array, shape (n_points,)
        Chance of the event by a model that knows nothing of places, above 0 and below 1.
    events : array of 0 or 1, shape (n_points,)
    block, subdivision : array of int, shape (n_points,)
        -1 for none. A block usually lies within one subdivision.
    bounds : CallBounds, optional
        What looks show whatever the hazard.
    laws : ndarray, shape (n_laws, n_points), optional
        Chances by other draws of the model's parameters.

    Returns
    -------
    Variation
        Of blocks within their subdivision, then of subdivisions.

    Notes
    -----
    Blocks of one subdivision were laid together and fail alike, so a zone of several subdivisions may owe its
    excess to two or three of them. Multipliers of both kinds multiply, so 1 + their variances do: the part of
    blocks is what is left of their own spread. Nothing is drawn to be like its neighbours beyond that: areas that fail
    together because they lie together are what a hot spot is. Nor is any model refitted to the draws, so the spread
    is that of what the fitted model leaves.
    """
    p, y = np.asarray(chance, dtype=float), np.asarray(events, dtype=float)
    areas = [np.asarray(area, dtype=np.int64) for area in (block, subdivision)]
    within = bounds or told_true(len(p))
    of_blocks, of_subdivisions = (_variance_between(p, y, area, within) for area in areas)
    left = max((1 + of_blocks) / (1 + of_subdivisions) - 1, 0.0)
    return Variation(
        frailties=(
            Frailty(area=areas[0], variance=left),
            Frailty(area=areas[1], variance=of_subdivisions),
        ),
        lowest=within.lowest,
        highest=within.highest,
        laws=laws,
    )


def _variance_between(p: FloatArray, y: FloatArray, area: IntArray, bounds: CallBounds) -> float:
    """Variance of hazards between areas; 0 where nothing can be told."""
    known = area >= 0
    if not 0 < y[known].sum() < known.sum():
        return 0.0
    n_areas = int(area.max()) + 1
    return gamma_hazards(p[known], y[known], area[known], n_areas=n_areas, bounds=bounds.at(known)).variance
