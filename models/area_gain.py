"""What hazard multipliers of areas are worth: looks that were left out are foretold with and without them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike

from models.area_hazards import AreaHazards, CallBounds, told_true
from models.looks import FloatArray, IntArray


class AreaModel(Protocol):
    """What `held_out_gain` can judge: chances, events and areas in, multipliers out."""

    def __call__(
        self, chance: FloatArray, events: FloatArray, area: IntArray, *, bounds: CallBounds
    ) -> AreaHazards:
        """Fit."""
        ...


@dataclass(frozen=True, kw_only=True)
class Gain:
    """What multipliers of areas are worth for looks that were left out.

    Attributes
    ----------
    mean : float
        Mean log score with multipliers less that without, over all looks left out; above 0 they help.
    standard_error : float
        Of the mean, with the areas as the units that vary.
    n : int
        Looks.
    """

    mean: float
    standard_error: float
    n: int

    @property
    def is_helpful(self) -> bool:
        """Whether multipliers lower the log loss by more than twice its standard error."""
        return self.mean > 2 * self.standard_error


def local_chance(
    chance: ArrayLike, hazards: AreaHazards, area: ArrayLike, bounds: CallBounds | None = None
) -> FloatArray:
    """Chance of a bad look with its area's multiplier, averaged over what is not known of it.

    Parameters
    ----------
    chance : array, shape (n,)
        Without places.
    hazards : AreaHazards
    area : array of int, shape (n,)
        -1 for none: the town's level alone.
    bounds : CallBounds, optional
        As for `models.area_hazards.gamma_hazards`.

    Notes
    -----
    The multiplier is taken as gamma with its posterior mean and variance, of which the average is known.
    """
    p, place = np.asarray(chance, dtype=float), np.asarray(area, dtype=np.int64)
    within = bounds or told_true(len(p))
    hazard = within.hazard_of(p) * hazards.level
    mean = np.where(place >= 0, hazards.mean[place], 1.0)
    variance = np.where(place >= 0, hazards.sd[place] ** 2, 0.0)
    ratio = np.maximum(variance / mean, 1e-9)
    failed = -np.expm1(-np.log1p(ratio * hazard) * mean / ratio)
    return np.asarray(within.lowest + within.room * failed, dtype=float)


def held_out_gain(
    chance: ArrayLike,
    events: ArrayLike,
    area: ArrayLike,
    fold: ArrayLike,
    fit: AreaModel,
    bounds: CallBounds | None = None,
) -> Gain:
    """Judge multipliers on looks that were left out of their fit.

    Parameters
    ----------
    chance, events, area : array, shape (n,)
        As for `gamma_hazards`.
    fold : array of int, shape (n,)
        Looks of one number are left out together: numbers dealt to lots, or to whole areas.
    fit : callable
        For example `gamma_hazards` with its number of areas filled in.
    bounds : CallBounds, optional
        As for `gamma_hazards`.

    Returns
    -------
    Gain
        Against the same chances at the level of the looks that were kept.
    """
    p, y = np.asarray(chance, dtype=float), np.asarray(events, dtype=float)
    place, folds = np.asarray(area, dtype=np.int64), np.asarray(fold)
    within = bounds or told_true(len(p))
    gain = np.zeros(len(p))
    for number in np.unique(folds):
        out = folds == number
        hazards = fit(p[~out], y[~out], place[~out], bounds=within.at(~out))
        nowhere = np.full(int(out.sum()), -1)
        with_area, without = (
            local_chance(p[out], hazards, places, within.at(out)) for places in (place[out], nowhere)
        )
        gain[out] = _log_score(with_area, y[out]) - _log_score(without, y[out])
    by_area = np.bincount(place, gain)
    size = np.bincount(place)
    mean = float(gain.mean())
    apart = by_area[size > 0] - mean * size[size > 0]
    return Gain(mean=mean, standard_error=float(np.sqrt(np.sum(apart**2)) / len(p)), n=len(p))


def _log_score(chance: FloatArray, events: FloatArray) -> FloatArray:
    safe = np.clip(chance, 1e-12, 1 - 1e-12)
    return np.where(events == 1, np.log(safe), np.log1p(-safe))
