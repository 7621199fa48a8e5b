"""Streets, blocks, lots and subdivisions, the public sewer, and the pipes laid with each house.

The town is a grid in feet. A block is two rows of lots back to back; streets run east-west between the
blocks, with a main in each. Eight blocks (two wide, four high) make a subdivision built within a few years;
the oldest lie in the middle of the town.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from synthetic_data import truth
from synthetic_data.truth import Flags, Floats, Ints

BLOCK_PITCH_X_FT = 700.0
BLOCK_PITCH_Y_FT = 300.0
#: From the centre of a street to the front of its lots.
HALF_STREET_FT = 30.0
LOT_DEPTH_FT = 120.0
BLOCKS_WIDE, BLOCKS_HIGH = 2, 4
FIRST_BUILT, LAST_BUILT = 1885.0, 2025.4

#: Share of each material by first year of a period; judgement after the ranges of laying that trade
#: handbooks give (concrete from the 1920s, bituminized fibre 1945 to 1972, asbestos cement to the 1970s,
#: plastics from about 1965).
ERA_STARTS = (1800, 1920, 1940, 1945, 1958, 1965, 1973, 1980)
ERA_MIX = (
    # clay, concrete, iron, fibre, AC, ABS, PVC
    (0.72, 0.00, 0.28, 0.00, 0.00, 0.00, 0.00),
    (0.52, 0.30, 0.18, 0.00, 0.00, 0.00, 0.00),
    (0.50, 0.27, 0.15, 0.00, 0.08, 0.00, 0.00),
    (0.28, 0.24, 0.12, 0.25, 0.11, 0.00, 0.00),
    (0.37, 0.17, 0.12, 0.20, 0.14, 0.00, 0.00),
    (0.25, 0.10, 0.10, 0.08, 0.09, 0.26, 0.12),
    (0.18, 0.06, 0.06, 0.00, 0.04, 0.36, 0.30),
    (0.00, 0.00, 0.00, 0.00, 0.00, 0.33, 0.67),
)
FIRST_CONCRETE = 1920.0
#: Chance that a house shares its subdivision's material rather than drawing its own.
BUILDER_HABIT = 0.65


@dataclass(frozen=True, slots=True)
class Lots:
    """One entry per lot; arrays of shape (n_lots,).

    Attributes
    ----------
    subdivision, block : ndarray of int
        Index of each area.
    block_col, block_row, side, slot : ndarray of int
        Place in the grid; side 0 faces the street south of the block, 1 the one north of it.
    west_ft, width_ft, south_ft, x_ft, y_ft : ndarray of float
        The lot's rectangle (all are LOT_DEPTH_FT deep) and its building.
    laid : ndarray of float
        Decimal year in which the first pipes were laid.
    built : ndarray of int
        Year of the house as an assessor keeps it.
    line_ft : ndarray of float
        Length of the lateral.
    """

    subdivision: Ints
    block: Ints
    block_col: Ints
    block_row: Ints
    side: Ints
    slot: Ints
    west_ft: Floats
    width_ft: Floats
    south_ft: Floats
    x_ft: Floats
    y_ft: Floats
    laid: Floats
    built: Ints
    line_ft: Floats
    has_tree: Flags
    is_expansive: Flags
    is_under_drive: Flags
    subdivision_year: Floats

    @property
    def n(self) -> int:
        """Number of lots."""
        return self.block.size


@dataclass(frozen=True, slots=True)
class Stretches:
    """The places along each lateral that hold one pipe at a time; arrays of shape (n_stretches,).

    They are ordered by lot, then from the building to the main; a lot's stretches are
    first[lot] … first[lot] + count[lot] - 1, the latter two of shape (n_lots,).
    """

    lot: Ints
    sequence: Ints
    from_ft: Floats
    to_ft: Floats
    depth_ft: Floats
    diameter_in: Ints
    first_material: Ints
    first: Ints
    count: Ints

    @property
    def n(self) -> int:
        """Number of stretches."""
        return self.lot.size


def _cells(n: int) -> tuple[Ints, Ints]:
    """Grid places of `n` subdivisions, nearest to the middle of the town first."""
    reach = int(np.ceil(np.sqrt(n) * 0.75)) + 2
    col, row = (a.ravel() for a in np.meshgrid(np.arange(-reach, reach + 1), np.arange(-reach, reach + 1)))
    distance = np.hypot(col * BLOCKS_WIDE * BLOCK_PITCH_X_FT, row * BLOCKS_HIGH * BLOCK_PITCH_Y_FT)
    nearest = np.lexsort((row, col, distance))[:n]
    col, row = col[nearest], row[nearest]
    return col - col.min(), row - row.min()


def _years(n_subdivisions: int, subdivision: Ints, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Middle year of each subdivision, and decimal year in which each lot's pipes were laid."""
    rank = np.arange(n_subdivisions) / max(n_subdivisions - 1, 1)
    middle = 1898.0 + 122.0 * rank**0.9 + rng.normal(0.0, 9.0, n_subdivisions)
    middle = np.clip(middle, FIRST_BUILT + 4, LAST_BUILT - 4)
    laid = middle[subdivision] + rng.uniform(-4.0, 4.0, subdivision.size)
    # Gaps are built up later.
    is_infill = rng.random(subdivision.size) < 0.04
    laid = np.where(is_infill, rng.uniform(laid, LAST_BUILT), laid)
    return middle, np.clip(laid, FIRST_BUILT, LAST_BUILT)


def _house_years(laid: Floats, rng: np.random.Generator) -> Ints:
    """Year of the house: that of the pipes, or the next; one house in a hundred was rebuilt on old pipes."""
    built = np.floor(laid).astype(np.int64) + (rng.random(laid.size) < 0.10)
    is_rebuilt = (rng.random(laid.size) < 0.01) & (laid < 1975.0)
    built = np.where(is_rebuilt, rng.integers(1985, 2021, laid.size), built)
    return np.minimum(built, 2026)


@dataclass(frozen=True, slots=True)
class _Grid:
    """Place of each lot in the grid; arrays of shape (n_lots,)."""

    n_subdivisions: int
    subdivision: Ints
    block: Ints
    block_col: Ints
    block_row: Ints
    row_size: Ints
    side: Ints
    slot: Ints


def _grid(n_lots: int, rng: np.random.Generator) -> _Grid:
    """Fill subdivision after subdivision, from the middle of the town outwards."""
    blocks = BLOCKS_WIDE * BLOCKS_HIGH
    per_row = rng.integers(8, 13, n_lots // (blocks * 16) + 1)
    sizes = per_row * 2 * blocks
    n_subdivisions = min(int(np.searchsorted(np.cumsum(sizes), n_lots)) + 1, per_row.size)
    per_row, sizes = per_row[:n_subdivisions], sizes[:n_subdivisions]
    cell_col, cell_row = _cells(n_subdivisions)
    subdivision = np.repeat(np.arange(n_subdivisions), sizes)[:n_lots]
    place = np.arange(n_lots) - np.repeat(np.cumsum(sizes) - sizes, sizes)[:n_lots]
    row_size = per_row[subdivision]
    in_block = place % (2 * row_size)
    block_place = place // (2 * row_size)
    return _Grid(
        n_subdivisions=n_subdivisions,
        subdivision=subdivision,
        block=subdivision * blocks + block_place,
        block_col=cell_col[subdivision] * BLOCKS_WIDE + block_place % BLOCKS_WIDE,
        block_row=cell_row[subdivision] * BLOCKS_HIGH + block_place // BLOCKS_WIDE,
        row_size=row_size,
        side=in_block // row_size,
        slot=in_block % row_size,
    )


def lay_out(n_lots: int, rng: np.random.Generator) -> Lots:
    """Draw the lots of a town.

    Parameters
    ----------
    n_lots : int
        At least 1.
    rng : numpy.random.Generator
        Source of all draws.
    """
    grid = _grid(n_lots, rng)
    width = (BLOCK_PITCH_X_FT - 2 * HALF_STREET_FT) / grid.row_size
    west = grid.block_col * BLOCK_PITCH_X_FT + HALF_STREET_FT + grid.slot * width
    south = grid.block_row * BLOCK_PITCH_Y_FT + HALF_STREET_FT + grid.side * LOT_DEPTH_FT
    setback = rng.uniform(18.0, 40.0, n_lots)
    middle, laid = _years(grid.n_subdivisions, grid.subdivision, rng)
    return Lots(
        subdivision=grid.subdivision,
        block=grid.block,
        block_col=grid.block_col,
        block_row=grid.block_row,
        side=grid.side,
        slot=grid.slot,
        west_ft=west,
        width_ft=width,
        south_ft=south,
        x_ft=west + 0.5 * width,
        y_ft=south + np.where(grid.side == 0, setback, LOT_DEPTH_FT - setback),
        laid=laid,
        built=_house_years(laid, rng),
        line_ft=np.round(HALF_STREET_FT + setback + rng.uniform(0.0, 14.0, n_lots)),
        # Trees need decades: old streets have more of them.
        has_tree=rng.random(n_lots) < np.interp(laid, [1900, 1970, 2020], [0.42, 0.32, 0.10]),
        is_expansive=(rng.random(grid.n_subdivisions) < 0.35)[grid.subdivision],
        is_under_drive=rng.random(n_lots) < 0.4,
        subdivision_year=middle,
    )


def draw_first_materials(lots: Lots, rng: np.random.Generator) -> Ints:
    """Main material of each lot's first lateral, shape (n_lots,)."""
    era = np.searchsorted(ERA_STARTS, lots.laid, side="right") - 1
    own = rng.random(lots.n)
    shared = rng.random(lots.subdivision_year.size)[lots.subdivision]
    chance = np.where(rng.random(lots.n) < BUILDER_HABIT, shared, own)
    steps = np.cumsum(np.asarray(ERA_MIX), axis=1)[era]
    material: Ints = (chance[:, None] > steps[:, :-1]).sum(axis=1)
    return material


def _counts(lots: Lots, rng: np.random.Generator) -> Ints:
    """Number of stretches per lateral: old ones are made of more."""
    u = rng.random(lots.n)
    old = 1 + (u > 0.46) + (u > 0.81) + (u > 0.95)
    return np.where(lots.laid < 1980.0, old, 1 + (u > 0.75)).astype(np.int64)


def draw_stretches(lots: Lots, main_depth_ft: Floats, rng: np.random.Generator) -> Stretches:
    """Cut each lateral into its stretches and choose the first pipe of each.

    Parameters
    ----------
    lots : Lots
        The town's lots.
    main_depth_ft : ndarray of float, shape (n_lots,)
        Depth of the main where the lot ties in.
    rng : numpy.random.Generator
        Source of all draws.

    Notes
    -----
    Neighbouring stretches always differ in material or bore, else they would be one: a short iron stub
    at the house (plastic in later houses), the run across the lot, and often a wider pipe under the street.
    """
    main_run = draw_first_materials(lots, rng)
    count = _counts(lots, rng)
    has_stub = (count >= 3) | ((count == 2) & (rng.random(lots.n) < 0.5))
    stub_ft = np.where(has_stub, rng.integers(8, 13, lots.n), 0)
    lot = np.repeat(np.arange(lots.n), count)
    first = np.cumsum(count) - count
    sequence = np.arange(lot.size) - first[lot] + 1
    is_stub = has_stub[lot] & (sequence == 1)
    is_last = sequence == count[lot]
    weight = np.where(is_stub, 0.0, rng.uniform(0.7, 1.3, lot.size))
    total = np.bincount(lot, weights=weight, minlength=lots.n)[lot]
    rest_ft = (lots.line_ft - stub_ft)[lot]
    length = np.where(is_stub, stub_ft[lot], weight / total * rest_ft)
    ends = np.cumsum(length)
    to_ft = np.where(is_last, lots.line_ft[lot], np.round(ends - (ends - length)[first][lot]))
    from_ft = np.where(sequence == 1, 0.0, np.roll(to_ft, 1))
    material = main_run[lot]
    is_late = lots.laid[lot] >= 1980.0
    material = np.where(is_stub, np.where(is_late, truth.ABS, truth.CAST_IRON), material)
    is_other_run = (count[lot] == 4) & (sequence == 3)
    # Concrete pipe for laterals came in the 1920s.
    beside_clay = np.where(lots.laid >= FIRST_CONCRETE, truth.CONCRETE, truth.CAST_IRON)
    other = np.where(main_run == truth.CLAY, beside_clay, truth.CLAY)[lot]
    material = np.where(is_other_run, other, material)
    diameter = np.where(is_last & (count[lot] > 1) & ~((count[lot] == 2) & has_stub[lot]), 6, 4)
    diameter = np.where(is_stub & (material == main_run[lot]), 3, diameter)
    share_along = 0.5 * (from_ft + to_ft) / lots.line_ft[lot]
    at_house = rng.uniform(2.0, 4.5, lots.n)[lot]
    depth = at_house + share_along * np.maximum(main_depth_ft[lot] - 1.5 - at_house, 0.5)
    return Stretches(
        lot=lot,
        sequence=sequence,
        from_ft=from_ft,
        to_ft=to_ft,
        depth_ft=np.round(depth, 1),
        diameter_in=diameter.astype(np.int64),
        first_material=material.astype(np.int64),
        first=first,
        count=count,
    )
