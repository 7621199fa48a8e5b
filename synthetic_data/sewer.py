"""The public sewer: mains under the streets, manholes at the corners, and where each lot ties in."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from synthetic_data.town import BLOCK_PITCH_X_FT, BLOCK_PITCH_Y_FT, Lots
from synthetic_data.truth import Flags, Floats, Ints


@dataclass(frozen=True, slots=True)
class Sewer:
    """Mains, manholes and connections.

    Attributes
    ----------
    main_col, main_street, main_year, main_depth_ft : ndarray, shape (n_mains,)
        A main runs under street `main_street` along block column `main_col`.
    manhole_col, manhole_street, manhole_depth_ft : ndarray, shape (n_manholes,)
        Manholes stand at the crossings.
    lot_main, lot_station_ft, ties_into_manhole : ndarray, shape (n_lots,)
        Index of the main, distance from its western manhole, and whether the lot ties into that manhole.
    """

    main_col: Ints
    main_street: Ints
    main_year: Ints
    main_depth_ft: Floats
    manhole_col: Ints
    manhole_street: Ints
    manhole_depth_ft: Floats
    lot_main: Ints
    lot_manhole: Ints
    lot_station_ft: Floats
    ties_into_manhole: Flags


def lay_sewer(lots: Lots, rng: np.random.Generator) -> Sewer:
    """Lay a main past every lot and a manhole at each of its ends."""
    wide = int(lots.block_col.max()) + 2
    street = lots.block_row + lots.side
    key, lot_main = np.unique(street * wide + lots.block_col, return_inverse=True)
    col, row = key % wide, key // wide
    oldest = np.full(key.size, np.inf)
    np.minimum.at(oldest, lot_main, lots.laid)
    depth = np.round(rng.uniform(6.0, 11.5, key.size), 1)
    ends = np.concatenate([key, key + 1])
    manhole_key, manhole_of_end = np.unique(ends, return_inverse=True)
    manhole_depth = np.zeros(manhole_key.size)
    np.maximum.at(manhole_depth, manhole_of_end, np.concatenate([depth, depth]))
    station: Floats = lots.x_ft - np.asarray(lots.block_col * BLOCK_PITCH_X_FT, dtype=np.float64)
    ties = (lots.slot == 0) & (rng.random(lots.n) < 0.3)
    return Sewer(
        main_col=col,
        main_street=row,
        main_year=np.floor(oldest).astype(np.int64),
        main_depth_ft=depth,
        manhole_col=manhole_key % wide,
        manhole_street=manhole_key // wide,
        manhole_depth_ft=manhole_depth,
        lot_main=lot_main,
        lot_manhole=manhole_of_end[lot_main],
        lot_station_ft=np.round(station * ~ties, 1),
        ties_into_manhole=ties,
    )


def street_y_ft(street: Ints) -> Floats:
    """Northing of the middle of a street."""
    return np.asarray(street * BLOCK_PITCH_Y_FT, dtype=np.float64)
