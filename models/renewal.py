"""Simulated lives of pipes that are renewed, year by year, in draws that share their parameters.

One draw is one possible future of a whole portfolio: it has one set of parameters of the fitted lives, one
level of prices, and chance events of its own for every pipe. So a portfolio's total keeps the uncertainty that
all its pipes share. The same chance events meet every policy (common random numbers), so that the difference
of two policies is not blurred by luck.

A pipe first comes to need repair (the fitted event), and some time after that makes trouble that cannot
wait: the delay-time model [1]_. Between the two a camera can find it. Where mending one spot is enough, the pipe
then needs repair again as sound pipe of its age does: minimal repair [2]_.

References
----------
.. [1] A. H. Christer, W. M. Waller, "Delay time models of industrial inspection maintenance problems",
   Journal of the Operational Research Society 35 (1984) 401-406 (from memory).
.. [2] R. E. Barlow, L. C. Hunter, "Optimum preventive maintenance policies", Operations Research 8 (1960) 90-100
   (from memory).
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
from models.laws import code_of
from models.looks import FloatArray
from models.renewal_arrays import Lives, Looking, Lots, Money, Pipes, Plan, Tally, WorthSums
from models.renewal_kernels import entry_tables, run_draws, worth_of_years
from models.renewal_stock import (
    LONGEST_HORIZON,
    Float32Array,
    Future,
    Laws,
    Policy,
    Prices,
    SpotRepair,
    Stock,
    Works,
    Worth,
)


@dataclass(frozen=True, kw_only=True)
class Simulation:
    """A portfolio, its laws and prices, ready to be run under policies.

    Attributes
    ----------
    laws : Laws
    stock : Stock
    emergency : Works
        How a pipe is renewed when there is trouble.
    spots : SpotRepair, optional
        How one spot is mended, in trouble or where a camera found it; never where not given.
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
    spots: SpotRepair | None = None
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
        if self.spots is not None and not ((self.spots.share >= 0.0) & (self.spots.share <= 1.0)).all():
            raise ModelInputError("a share of spot repairs is not between 0 and 1.")
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
        planned, emergency, camera, n_planned, n_emergencies, n_spots = np.zeros((6, n_draws, n_years))
        plan = Plan(
            np.ascontiguousarray(policy.planned_year),
            policy.planned,
            policy.camera_first,
            policy.camera_every,
            policy.is_confirmed,
            policy.cannot_be_planned_share,
        )

        def work(low: int, high: int) -> tuple[FloatArray, FloatArray]:
            # Threads have draws of their own, but all lots.
            of_lots = np.zeros(n_lots), np.zeros(n_lots)
            tally = Tally(planned, emergency, camera, n_planned, n_emergencies, n_spots, *of_lots)
            run_draws(low, high, *self._common(), plan, tally)
            return of_lots

        parts = self.over_draws(work)
        return Future(
            planned=planned,
            emergency=emergency,
            camera=self._camera(policy) + camera,
            n_planned=n_planned,
            n_emergencies=n_emergencies,
            n_spots=n_spots,
            lot_present_value=sum(part[0] for part in parts) / n_draws + self._camera_by_lot(policy),
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

        def work(low: int, high: int) -> WorthSums:
            one, by_year = (n,), (n, years)
            sums = WorthSums(*(np.zeros(shape) for shape in (one, by_year, one, one, one, one)))
            worth_of_years(low, high, *self._common(), planned, sums)
            return sums

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
        kernel(low, high, *self._common(), planned, *out)

    def _check(self, policy: Policy) -> None:
        plan = policy.planned_year
        if plan.ndim != 2 or plan.shape[0] != self.stock.n_pieces or plan.shape[1] not in {1, self.n_draws}:
            raise ModelInputError(f"planned_year must have one row for each of {self.stock.n_pieces} pieces.")
        if policy.camera_first.shape != (self.stock.n_lots,):
            raise ModelInputError("camera_first must have one entry for each lot.")

    def _common(self) -> tuple[np.uint64, Lots, Pipes, Lives, Works, SpotRepair, Money, Looking]:
        """What every kernel is given, in its order."""
        s, p, laws = self.stock, self.prices, self.laws
        return (
            np.uint64(self.seed),
            Lots(s.lot_first, s.lot_count, s.lot_group, s.lot_key, s.choice, s.line_start, s.lot_piece),
            Pipes(s.failed_now, s.pipe_state, s.entry_start, s.entry_law, s.entry_weight, *self._tables),
            Lives(code_of(laws.family), laws.log_scale, laws.shape, laws.start, self.new_work_is_checked),
            self.emergency,
            self.spots if self.spots is not None else SpotRepair.never(s.n_pipes, self.n_draws),
            Money(
                p.mobilisation, p.emergency_factor, p.cleanup, p.camera, p.trouble_delay_years,
                self.growth, self.discount,
            ),
            Looking(self.sensitivity, self.specificity),
        )  # fmt: skip

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
