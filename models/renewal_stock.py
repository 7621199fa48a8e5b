"""What a simulation of renewal is made of and what it brings: laws, lots with their lines, works, prices, policies.

`models.renewal` runs it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from models.errors import ModelInputError
from models.laws import code_of, hazard_in_standard_form
from models.looks import FloatArray, IntArray

Float32Array = NDArray[np.float32]
Uint8Array = NDArray[np.uint8]

#: Years that one bit mask of jobs can hold.
LONGEST_HORIZON = 60


@dataclass(frozen=True, kw_only=True)
class Laws:
    """Laws of life under every parameter draw.

    Attributes
    ----------
    log_scale, shape : ndarray, shape (n_laws, n_parameter_draws)
        As `models.laws.standard_form` makes them: for the Weibull S(a) = exp(-(a / scale)^shape), scale in years.
    start : ndarray, shape (n_laws, n_parameter_draws)
        Share that is bad from the day of laying, 0 to 1.
    family : str
        One of `models.laws.LAWS`, the same for all.
    """

    log_scale: FloatArray
    shape: FloatArray
    start: FloatArray
    family: str = "weibull"

    def __post_init__(self) -> None:
        """Refuse what is no law."""
        code_of(self.family)
        for name in ("log_scale", "shape", "start"):
            value = getattr(self, name)
            if value.shape != self.log_scale.shape or value.ndim != 2 or value.shape[1] == 0:
                raise ModelInputError(f"{name} must have one row per law and one column per draw.")
            if not np.isfinite(value).all():
                raise ModelInputError(f"{name} holds a value that is not finite.")
        if (self.shape <= 0.0).any():
            raise ModelInputError("a shape is not above 0.")

    @property
    def n_draws(self) -> int:
        """Parameter draws."""
        return int(self.log_scale.shape[1])

    def survival(self, law: IntArray, age: FloatArray) -> FloatArray:
        """Chance to be sound at an age.

        Parameters
        ----------
        law : ndarray of int, shape (n,)
        age : ndarray, shape (n,)
            Age [years].

        Returns
        -------
        ndarray, shape (n, n_parameter_draws)
            1 at and below age 0, and right after it the share that is not bad from the start.
        """
        hazard = hazard_in_standard_form(self.family, age[:, None], self.log_scale[law], self.shape[law])
        sound: FloatArray = np.exp(-hazard) * np.where(age[:, None] > 0.0, 1.0 - self.start[law], 1.0)
        return sound


@dataclass(frozen=True, kw_only=True)
class Stock:
    """Lots, their lines, and the pipes of those.

    A lot whose line is on record has one line. One whose line is not has many: those of similar houses, of
    which it has one in each draw (see `models.renewal.Simulation`).

    Attributes
    ----------
    lot_first, lot_count : ndarray of int, shape (n_lots,)
        Lines of a lot are `choice[lot_first : lot_first + lot_count]`.
    lot_group : ndarray of int, shape (n_lots,)
        Lots that borrow lines from the same houses have the same number, and the same houses stand for more
        of them in the same draw.
    lot_key : ndarray of int, shape (n_lots,)
        Names the lot's own stream of chance events, so that a lot meets the same ones in any portfolio.
    choice : ndarray of int
        Lines.
    line_start : ndarray of int, shape (n_lines + 1,)
        Pipes of line i are line_start[i] .. line_start[i + 1] - 1.
    lot_piece : ndarray of int, shape (n_lots,)
        First decision piece of the lot: each pipe of a line on record is one, and the whole of a line that is
        not.
    n_pieces : int
        Number of decision pieces.
    failed_now : ndarray of float32, shape (n_states, n_parameter_draws)
        Chance that a pipe needs repair now, given what was seen.
    pipe_state : ndarray of int, shape (n_pipes,)
        Row of `failed_now`.
    entry_start : ndarray of int, shape (n_pipes + 1,)
        What a pipe may be: entries entry_start[i] .. entry_start[i + 1] - 1.
    entry_law, entry_age, entry_weight : ndarray
        Law, age now [years] and prior chance of each entry.
    """

    lot_first: IntArray
    lot_count: IntArray
    lot_group: IntArray
    lot_key: IntArray
    choice: IntArray
    line_start: IntArray
    lot_piece: IntArray
    n_pieces: int
    failed_now: Float32Array
    pipe_state: IntArray
    entry_start: IntArray
    entry_law: IntArray
    entry_age: FloatArray
    entry_weight: FloatArray

    @property
    def n_lots(self) -> int:
        """Number of lots."""
        return len(self.lot_first)

    @property
    def n_pipes(self) -> int:
        """Number of pipes, those of similar houses included."""
        return len(self.pipe_state)

    @property
    def is_borrowed(self) -> NDArray[np.bool_]:
        """Lots whose line is not on record."""
        result: NDArray[np.bool_] = self.lot_group >= 0
        return result


class Works(NamedTuple):
    """What renewal by one method costs and gives.

    Attributes
    ----------
    price : ndarray, shape (n_prices, n_draws)
        Price per unit in today's money, in every draw.
    row : ndarray of int, shape (n_pipes,)
        Row of `price` of each pipe; -1 where the method does not fit.
    units : ndarray, shape (n_pipes,)
        Feet, or 1 where the price is for each.
    law : ndarray of int, shape (n_pipes,)
        Law of the new life.
    """

    price: FloatArray
    row: IntArray
    units: FloatArray
    law: IntArray


class SpotRepair(NamedTuple):
    """Mending pipe at one spot, after which the rest of it lives on, as old as it is.

    Attributes
    ----------
    price, row, units
        As in `Works`; every pipe has a row.
    share : ndarray, shape (n_draws,)
        Chance that one spot is enough where a pipe needs repair, in every draw, 0 to 1.
    """

    price: FloatArray
    row: IntArray
    units: FloatArray
    share: FloatArray

    @classmethod
    def never(cls, n_pipes: int, n_draws: int) -> SpotRepair:
        """Return what is never enough."""
        nothing = np.zeros((1, n_draws))
        return cls(nothing, np.zeros(n_pipes, dtype=np.int64), np.zeros(n_pipes), nothing[0])


@dataclass(frozen=True, kw_only=True)
class Prices:
    """What else a draw's money depends on, each of shape (n_draws,)."""

    mobilisation: FloatArray
    emergency_factor: FloatArray
    cleanup: FloatArray
    camera: FloatArray
    trouble_delay_years: FloatArray


@dataclass(frozen=True, kw_only=True)
class Policy:
    """What is done ahead of trouble.

    Attributes
    ----------
    planned_year : ndarray of uint8, shape (n_pieces, 1) or (n_pieces, n_draws)
        Year (1 = at once) at whose beginning the pipe of today is renewed, if it still lies there; 0 never.
    planned : Works
        How.
    camera_first : ndarray of int, shape (n_lots,)
        Year at whose beginning a camera first goes in; 0 never.
    camera_every : int
        Years between cameras; 0 for one only.
    is_confirmed : bool
        A bad call is looked at a second time, on another visit, before anything is dug up.
    cannot_be_planned_share : float
        Share of failed pipes at which `planned` turns out not to fit (a belly cannot be relined): those are
        renewed as in an emergency, without its surcharge.
    """

    planned_year: Uint8Array
    planned: Works
    camera_first: IntArray
    camera_every: int = 0
    is_confirmed: bool = False
    cannot_be_planned_share: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Future:
    """What a policy brings, in money of each year (not discounted) unless said otherwise.

    Attributes
    ----------
    planned, emergency, camera : ndarray, shape (n_draws, n_years)
        Spent.
    n_planned, n_emergencies : ndarray, shape (n_draws, n_years)
        Works on pipes as planned (those that a camera led to among them), and because of trouble.
    n_spots : ndarray, shape (n_draws, n_years)
        Of both, those that mended one spot; all others renewed the pipe.
    lot_present_value : ndarray, shape (n_lots,)
        Mean present value of each lot.
    lot_emergency_chance : ndarray, shape (n_lots,)
        Chance of trouble within the horizon.
    discount : ndarray, shape (n_years,)
        Worth now of a dollar at the end of each year.
    """

    planned: FloatArray
    emergency: FloatArray
    camera: FloatArray
    n_planned: FloatArray
    n_emergencies: FloatArray
    n_spots: FloatArray
    lot_present_value: FloatArray
    lot_emergency_chance: FloatArray
    discount: FloatArray

    @property
    def total(self) -> FloatArray:
        """All that is spent, shape (n_draws, n_years)."""
        return self.planned + self.emergency + self.camera

    @property
    def present_value(self) -> FloatArray:
        """Present value of everything, shape (n_draws,)."""
        worth: FloatArray = self.total @ self.discount
        return worth


@dataclass(frozen=True, kw_only=True)
class Worth:
    """Mean present values of each piece, for decisions.

    Attributes
    ----------
    leave : ndarray, shape (n_pieces,)
        If it is left until trouble; spots of it are mended as they make trouble.
    renew : ndarray, shape (n_pieces, n_years)
        If it is renewed at the beginning of each year, unless trouble has led to that before.
    price : ndarray, shape (n_pieces, n_years)
        Mean price of doing so, in that year's money, not discounted.
    failed_share : ndarray, shape (n_pieces,)
        Chance that it needs repair now.
    leave_if_failed, renew_if_failed : ndarray, shape (n_pieces,)
        `leave`, and `renew` of year 1, times the indicator of needing repair now, averaged over all draws.
    """

    leave: FloatArray
    renew: FloatArray
    price: FloatArray
    failed_share: FloatArray
    leave_if_failed: FloatArray
    renew_if_failed: FloatArray
