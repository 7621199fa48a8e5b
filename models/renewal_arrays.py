"""Arrays as the compiled loops of `models.renewal_kernels` take them: plain tuples with names.

What each array holds stands with the classes of `models.renewal_stock` that they are taken from.
"""

from __future__ import annotations

from typing import NamedTuple

from models.looks import FloatArray, IntArray
from models.renewal_stock import Float32Array, Uint8Array, Works


class Lots(NamedTuple):
    """Lots and their lines, as in `models.renewal_stock.Stock`."""

    first_line: IntArray
    n_lines: IntArray
    group: IntArray
    key: IntArray
    choice: IntArray
    line_start: IntArray
    piece: IntArray


class Pipes(NamedTuple):
    """Pipes in the ground, as in `Stock`, with the tables of `entry_tables`."""

    failed_now: Float32Array
    state: IntArray
    entry_start: IntArray
    entry_law: IntArray
    entry_weight: FloatArray
    share: Float32Array
    hazard: Float32Array


class Lives(NamedTuple):
    """Laws of life, as in `models.renewal_stock.Laws`; the family by its number."""

    family: int
    log_scale: FloatArray
    shape: FloatArray
    start: FloatArray
    is_checked: bool


class Money(NamedTuple):
    """What else money depends on, by draw and by year."""

    mobilisation: FloatArray
    emergency_factor: FloatArray
    cleanup: FloatArray
    camera: FloatArray
    delay_years: FloatArray
    growth: FloatArray
    discount: FloatArray


class Looking(NamedTuple):
    """How often a camera tells the truth."""

    sensitivity: float
    specificity: float


class Plan(NamedTuple):
    """What is done ahead of trouble, as in `models.renewal_stock.Policy`."""

    year: Uint8Array
    way: Works
    camera_first: IntArray
    camera_every: int
    is_confirmed: bool
    cannot_share: float


class Tally(NamedTuple):
    """What `run_draws` adds up: sums of draws and years, then of lots."""

    planned: FloatArray
    emergency: FloatArray
    camera: FloatArray
    n_planned: FloatArray
    n_emergencies: FloatArray
    n_spots: FloatArray
    lot_worth: FloatArray
    lot_trouble: FloatArray


class WorthSums(NamedTuple):
    """What `worth_of_years` adds up, as in `models.renewal_stock.Worth`."""

    leave: FloatArray
    renew: FloatArray
    price: FloatArray
    failed: FloatArray
    leave_failed: FloatArray
    renew_failed: FloatArray
