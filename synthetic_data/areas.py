"""Where pipes fail more than their material explains: planted hot spots, a decoy, ordinary differences."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from synthetic_data import truth
from synthetic_data.town import BLOCK_PITCH_X_FT, BLOCK_PITCH_Y_FT, Lots
from synthetic_data.truth import Floats, Ints

#: Blocks in one planted area: this share of all blocks, within these limits. In the town that the demonstration
#: shows, enough of their lots are inspected to tell a hot spot from chance; in a small one hardly.
AREA_SHARE, FEWEST_BLOCKS, MOST_BLOCKS = 0.018, 3, 24
#: About when the pipes of each hot spot were laid: old enough to have failed in number, young enough that most would
#: not have, which leaves room for an excess; apart, so that no era has many of them.
HOT_SPOT_YEARS = (1970.0, 1982.0, 1995.0)


@dataclass(frozen=True, slots=True)
class Areas:
    """The planted areas and the hazard multiplier of every lot.

    Attributes
    ----------
    multiplier : ndarray of float, shape (n_lots,)
        Hazard multiplier of the lot's area; it replaces the subdivision's frailty inside planted areas.
    frailty : ndarray of float, shape (n_subdivisions,)
        Hazard multiplier of each subdivision outside the planted areas.
    centre_x_ft, centre_y_ft, radius_ft, hazard : ndarray of float, shape (4,)
        The planted areas: the hot spots, then the decoy with hazard 1.
    lot_area : ndarray of int, shape (n_lots,)
        Index of the planted area, or -1.
    """

    multiplier: Floats
    frailty: Floats
    centre_x_ft: Floats
    centre_y_ft: Floats
    radius_ft: Floats
    hazard: Floats
    lot_area: Ints


def plant(
    lots: Lots,
    main_material: Ints,
    rng: np.random.Generator,
    hot_spot_hazards: Sequence[float] = truth.HOT_SPOT_HAZARDS,
) -> Areas:
    """Choose three hot spots among blocks not yet old and a decoy among old clay, and draw the frailties."""
    _, first_lot, of_lot = np.unique(lots.block, return_index=True, return_inverse=True)
    n_blocks = first_lot.size
    x: Floats = (lots.block_col[first_lot].astype(np.float64) + 0.5) * BLOCK_PITCH_X_FT
    y: Floats = (lots.block_row[first_lot].astype(np.float64) + 0.5) * BLOCK_PITCH_Y_FT
    size = np.bincount(of_lot)
    year = np.bincount(of_lot, weights=lots.laid) / size
    clay = np.bincount(of_lot, weights=(main_material == truth.CLAY)) / size
    members = int(np.clip(round(AREA_SHARE * n_blocks), FEWEST_BLOCKS, MOST_BLOCKS))
    apart = rng.normal(0.0, 6.0, n_blocks)
    decoy_score = 60.0 * clay - np.abs(year - 1918.0)
    block_area = np.full(n_blocks, -1)
    centres, radii = [], []
    hazard = np.array([*hot_spot_hazards, 1.0])
    # The decoy is placed first, since old clay blocks are the scarcer ones.
    for area in (3, 0, 1, 2):
        score = decoy_score if area == 3 else apart - np.abs(year - HOT_SPOT_YEARS[area])
        centre, radius, inside = _place(score, x, y, block_area, members)
        block_area[inside] = area
        centres.append((area, x[centre], y[centre]))
        radii.append((area, radius))
    lot_area = block_area[of_lot]
    sd = truth.FRAILTY_SD
    frailty = np.exp(rng.normal(-0.5 * sd**2, sd, lots.subdivision_year.size))
    multiplier = np.where(lot_area >= 0, hazard[lot_area], frailty[lots.subdivision])
    by_area = np.array([c[1:] for c in sorted(centres)])
    return Areas(
        multiplier=multiplier,
        frailty=frailty,
        centre_x_ft=by_area[:, 0],
        centre_y_ft=by_area[:, 1],
        radius_ft=np.array([r for _, r in sorted(radii)]),
        hazard=hazard,
        lot_area=lot_area,
    )


#: Blocks with the best scores of their own, among which the best surroundings are sought.
_CANDIDATES = 150
#: Planted areas keep this far apart where the town is large enough [ft].
_APART_FT = 2500.0


def _place(score: Floats, x: Floats, y: Floats, taken: Ints, members: int) -> tuple[int, float, Ints]:
    """Centre block, radius and blocks of the circle of `members` free blocks with the best mean score."""
    apart = np.full(score.size, np.inf)
    for other in np.flatnonzero(taken >= 0):
        apart = np.minimum(apart, np.hypot(x - x[other], y - y[other]))
    free = np.flatnonzero(taken < 0)
    far = free[apart[free] > _APART_FT]
    # A small town has no room to keep its areas apart.
    free_far = far if far.size else free
    candidates = free_far[np.argsort(-score[free_far], kind="stable")[:_CANDIDATES]]
    circles = [_circle(x, y, taken, centre=centre, members=members) for centre in candidates.tolist()]
    best = int(np.argmax([score[inside].mean() for _, inside in circles]))
    radius, inside = circles[best]
    return int(candidates[best]), radius, inside


def _circle(x: Floats, y: Floats, taken: Ints, *, centre: int, members: int) -> tuple[float, Ints]:
    """Radius and blocks of the circle around a block that holds `members` free blocks, more where they tie."""
    distance = np.where(taken < 0, np.hypot(x - x[centre], y - y[centre]), np.inf)
    radius = float(np.partition(distance, members - 1)[members - 1])
    # A foot more, so that the outermost centres lie inside whatever the rounding.
    return radius + 1.0, np.flatnonzero(distance <= radius)
