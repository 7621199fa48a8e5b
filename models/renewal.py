"""Simulated lives of pipes that are renewed, year by year, in draws that share their parameters.

One draw is one possible future of a whole portfolio: it has one set of parameters of the fitted lives, one
level of prices, and chance events of its own for every pipe. So a portfolio's total keeps the uncertainty that
all its pipes share. The same chance events meet every policy (common random numbers), so that the difference
of two policies is not blurred by luck.

A pipe first comes to need repair (the fitted event), and some time after that makes trouble that cannot
wait: the delay-time model [1]_. Between the two a camera can find it.

References
----------
.. [1] A. H. Christer, W. M. Waller, "Delay time models of industrial inspection maintenance problems",
   Journal of the Operational Research Society 35 (1984) 401-406 (from memory).
"""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.errors import ModelInputError
from models.laws import code_of, hazard_in_standard_form
from models.looks import FloatArray, IntArray
from models.renewal_kernels import entry_tables, run_draws, worth_of_years

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
    which it has one in each draw (see `Simulation`).

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


@dataclass(frozen=True, kw_only=True)
class Works:
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
        Pipes renewed as planned, or because of trouble.
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
        If it is left until trouble.
    renew : ndarray, shape (n_pieces, n_years)
        If it is renewed at the beginning of each year, unless trouble came first.
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


@dataclass(frozen=True, kw_only=True)
class Simulation:
    """A portfolio, its laws and prices, ready to be run under policies.

    Attributes
    ----------
    laws : Laws
    stock : Stock
    emergency : Works
        How a pipe is renewed when there is trouble.
    prices : Prices
    growth, discount : ndarray, shape (n_years,)
        Prices of year t over today's; worth now of a dollar of year t.
    sensitivity, specificity : float
        How often a camera of a policy tells the truth.
    seed : int
        All chance events follow from it and `Stock.lot_key`.
    new_work_is_checked : bool
        New pipe bad from the day of laying is put right by who laid it, at no cost.
    n_threads : int

    Notes
    -----
    Draw b uses parameter draw b modulo their number. A lot without a line on record has in each draw the line of
    a similar house; how often each of those stands in differs between parameter draws by the approximate
    Bayesian bootstrap [1]_, so that few similar houses give a wide range.

    References
    ----------
    .. [1] D. B. Rubin, N. Schenker, "Multiple imputation for interval estimation from simple random samples with
       ignorable nonresponse", Journal of the American Statistical Association 81 (1986) 366-374; from memory.
    """

    laws: Laws
    stock: Stock
    emergency: Works
    prices: Prices
    growth: FloatArray
    discount: FloatArray
    sensitivity: float = 1.0
    specificity: float = 1.0
    seed: int = 1
    new_work_is_checked: bool = True
    n_threads: int = field(default_factory=lambda: max(1, min(8, os.cpu_count() or 1)))
    _tables: tuple[Float32Array, Float32Array] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        """Check what can be checked once, and weigh what each pipe may be."""
        if self.stock.n_lots == 0:
            raise ModelInputError("there is no lot to simulate.")
        if not 1 <= self.n_years <= LONGEST_HORIZON:
            raise ModelInputError(
                f"a horizon of {self.n_years} years is not between 1 and {LONGEST_HORIZON}."
            )
        if self.stock.failed_now.shape[1] != self.laws.n_draws:
            raise ModelInputError("failed_now and the laws have different parameter draws.")
        if (self.emergency.row < 0).any():
            raise ModelInputError(
                "a pipe has no price in an emergency.", row=int(np.argmin(self.emergency.row))
            )
        s = self.stock
        tables = entry_tables(
            s.entry_start,
            s.entry_law,
            s.entry_age,
            s.entry_weight,
            code_of(self.laws.family),
            self.laws.log_scale,
            self.laws.shape,
        )
        object.__setattr__(self, "_tables", tables)

    @property
    def n_years(self) -> int:
        """Years simulated."""
        return len(self.growth)

    @property
    def n_draws(self) -> int:
        """Possible futures."""
        return len(self.prices.mobilisation)

    def run(self, policy: Policy) -> Future:
        """Simulate a policy.

        Parameters
        ----------
        policy : Policy

        Returns
        -------
        Future

        Raises
        ------
        ModelInputError
            If a plan is not for the pieces of the stock, or is for pipe that its method does not fit.
        """
        self._check(policy)
        n_draws, n_years, n_lots = self.n_draws, self.n_years, self.stock.n_lots
        by_year = [np.zeros((n_draws, n_years)) for _ in range(5)]

        def work(low: int, high: int) -> tuple[FloatArray, FloatArray]:
            of_lots = np.zeros(n_lots), np.zeros(n_lots)
            run_draws(
                low,
                high,
                *self._common(),
                np.ascontiguousarray(policy.planned_year),
                *_flat(policy.planned),
                policy.camera_first,
                policy.camera_every,
                policy.is_confirmed,
                policy.cannot_be_planned_share,
                self.prices.camera,
                *by_year,
                *of_lots,
            )
            return of_lots

        parts = self.over_draws(work)
        present = sum(part[0] for part in parts) / n_draws
        return Future(
            planned=by_year[0],
            emergency=by_year[1],
            camera=self._camera(policy) + by_year[4],
            n_planned=by_year[2],
            n_emergencies=by_year[3],
            lot_present_value=present + self._camera_by_lot(policy),
            lot_emergency_chance=sum(part[1] for part in parts) / n_draws,
            discount=self.discount,
        )

    def worth(self, planned: Works) -> Worth:
        """Mean present value of leaving each piece, and of renewing it in each year.

        Parameters
        ----------
        planned : Works
            How it would be renewed; pieces that hold pipe which this does not fit get infinite `renew`.
        """
        n, years = self.stock.n_pieces, self.n_years

        def work(low: int, high: int) -> tuple[FloatArray, ...]:
            made = (
                np.zeros(n),
                np.zeros((n, years)),
                np.zeros(n),
                np.zeros(n),
                np.zeros(n),
                np.zeros(n),
            )
            worth_of_years(low, high, *self._common(), *_flat(planned), *made)
            return made

        parts = self.over_draws(work)
        leave, renew, price, failed, leave_failed, renew_failed = (
            sum(column) / self.n_draws for column in zip(*parts, strict=True)
        )
        return Worth(
            leave=leave,
            renew=renew,
            price=price[:, None] * self.growth,
            failed_share=failed,
            leave_if_failed=leave_failed,
            renew_if_failed=renew_failed,
        )

    def fill(
        self, kernel: Callable[..., None], low: int, high: int, planned: Works, *out: NDArray[Any]
    ) -> None:
        """Let a kernel of `models.renewal_kernels` fill arrays for draws low .. high - 1."""
        kernel(low, high, *self._common(), *_flat(planned), *out)

    def _check(self, policy: Policy) -> None:
        plan = policy.planned_year
        if plan.ndim != 2 or plan.shape[0] != self.stock.n_pieces or plan.shape[1] not in {1, self.n_draws}:
            raise ModelInputError(f"planned_year must have one row for each of {self.stock.n_pieces} pieces.")
        if policy.camera_first.shape != (self.stock.n_lots,):
            raise ModelInputError("camera_first must have one entry for each lot.")

    def _common(self) -> tuple[Any, ...]:
        s, p = self.stock, self.prices
        share, hazard = self._tables
        return (
            np.uint64(self.seed),
            s.lot_first,
            s.lot_count,
            s.lot_group,
            s.lot_key,
            s.choice,
            s.line_start,
            s.lot_piece,
            s.failed_now,
            s.pipe_state,
            s.entry_start,
            s.entry_law,
            share,
            hazard,
            code_of(self.laws.family),
            self.laws.log_scale,
            self.laws.shape,
            self.laws.start,
            *_flat(self.emergency),
            p.mobilisation,
            p.emergency_factor,
            p.cleanup,
            p.trouble_delay_years,
            self.growth,
            self.discount,
            self.sensitivity,
            self.specificity,
            self.new_work_is_checked,
        )

    def over_draws(self, work: Callable[[int, int], Any]) -> list[Any]:
        """Share the draws out among threads; a chance event depends on its draw only, so any split is alike."""
        n = min(self.n_threads, self.n_draws)
        edges = np.linspace(0, self.n_draws, n + 1).astype(int)
        with ThreadPoolExecutor(n) as pool:
            return list(pool.map(work, edges[:-1].tolist(), edges[1:].tolist()))

    def _camera_years(self, policy: Policy) -> FloatArray:
        """Whether each lot has a camera in each year, shape (n_lots, n_years)."""
        year = np.arange(1, self.n_years + 1)
        first = policy.camera_first[:, None]
        since = year - first
        every = policy.camera_every
        again = since % every == 0 if every else since == 0
        goes_in: FloatArray = ((first > 0) & (since >= 0) & again).astype(np.float64)
        return goes_in

    def _camera(self, policy: Policy) -> FloatArray:
        n_cameras = self._camera_years(policy).sum(axis=0)
        spent: FloatArray = np.outer(self.prices.camera, n_cameras * self.growth)
        return spent

    def _camera_by_lot(self, policy: Policy) -> FloatArray:
        worth: FloatArray = (
            self._camera_years(policy) @ (self.growth * self.discount) * self.prices.camera.mean()
        )
        return worth


def _flat(works: Works) -> tuple[Any, ...]:
    return works.price, works.row, works.units, works.law
