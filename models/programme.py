"""Which pipes to renew in which year, when every year has a cap: the best choice, and how good it must be.

The choice is a multiple-choice knapsack with one constraint per year. It is left to the HiGHS solver through
`scipy.optimize.milp`, which also proves how much a better choice could bring at most.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike
from scipy import sparse
from scipy.optimize import Bounds, LinearConstraint, milp

from models.errors import ModelInputError
from models.looks import BoolArray, FloatArray, IntArray
from models.renewal import Simulation
from models.renewal_kernels import in_the_ground_until, postpone_to_fit
from models.renewal_stock import Uint8Array, Works

#: A choice this close to the best is good enough where the whole proof would take long.
ENOUGH_GAP = 1e-3
#: Time for the solver [s].
SOLVER_SECONDS = 30.0
#: A benefit below this share of the largest counts as none.
NOTHING = 1e-12


@dataclass(frozen=True, kw_only=True)
class Effort:
    """How far the solver goes: until this share of the benefit is all that may be missing, or for this long [s]."""

    relative_gap: float = ENOUGH_GAP
    seconds: float = SOLVER_SECONDS


@dataclass(frozen=True, kw_only=True)
class Programme:
    """A choice under yearly caps.

    Attributes
    ----------
    year : ndarray of int, shape (n_pieces,)
        Year in which each is done, 1 first; 0 never.
    benefit : float
        Sum of the benefits chosen.
    bound : float
        No choice can bring more than this.
    spent : ndarray, shape (n_years,)
        By year.
    order : ndarray of int
        Chosen pieces: by year, and within a year most benefit per dollar first.
    """

    year: IntArray
    benefit: float
    bound: float
    spent: FloatArray
    order: IntArray

    @property
    def gap(self) -> float:
        """Share of the bound that was, at most, left on the table."""
        return max(0.0, 1.0 - self.benefit / self.bound) if self.bound > 0.0 else 0.0


def choose(
    benefit: ArrayLike,
    cost: ArrayLike,
    cap: ArrayLike,
    effort: Effort | None = None,
) -> Programme:
    """Choose which pieces to do in which year, for the greatest benefit within the caps.

    Parameters
    ----------
    benefit : array, shape (n_pieces, n_years)
        What doing a piece in a year brings; what brings nothing is never chosen.
    cost : array, shape (n_pieces, n_years)
        What it costs in that year, not negative.
    cap : array, shape (n_years,)
        Most that may be spent in each year, not negative.
    effort : Effort, optional
        A gap of 0 asks for a proof. What the time allowed may have cost is in the bound.

    Returns
    -------
    Programme

    Raises
    ------
    ModelInputError
        If shapes do not match, or a value is negative or not finite.
    """
    gain, price, most = (np.asarray(value, dtype=np.float64) for value in (benefit, cost, cap))
    _check(gain, price, most)
    useful = (gain > NOTHING * max(gain.max(initial=0.0), 1.0)) & (price <= most)
    piece, year = np.nonzero(useful)
    problem = _Problem(piece, year, gain[piece, year], price[piece, year], most, len(gain))
    if len(piece) == 0:
        return problem.programme(np.zeros(0, dtype=np.bool_), 0.0)
    wanted = effort or Effort()
    # Without whole numbers the problem is fast, and leaves at most as many pieces divided as there are caps.
    share, bound = problem.solve(whole=False, relative_gap=0.0, seconds=wanted.seconds)
    found = problem.programme(problem.rounded(share), bound)
    if found.gap <= wanted.relative_gap:
        return found
    share, closer = problem.solve(whole=True, relative_gap=wanted.relative_gap, seconds=wanted.seconds)
    better = problem.programme(problem.rounded(share), min(bound, closer))
    return better if better.benefit >= found.benefit else replace(found, bound=better.bound)


def _check(gain: FloatArray, price: FloatArray, most: FloatArray) -> None:
    if gain.ndim != 2 or price.shape != gain.shape or most.shape != (gain.shape[1],):
        raise ModelInputError("benefit and cost need one row per piece and one column per year of the cap.")
    for name, value in (("benefit", gain), ("cost", price), ("cap", most)):
        if not np.isfinite(value).all():
            raise ModelInputError(f"{name} holds a value that is not finite.")
    if (price < 0.0).any() or (most < 0.0).any():
        raise ModelInputError("a cost or a cap is negative.")


@dataclass(frozen=True)
class _Problem:
    """Pairs of piece and year that bring something: `value` for `paid`."""

    piece: IntArray
    year: IntArray
    value: FloatArray
    paid: FloatArray
    cap: FloatArray
    n_pieces: int

    def solve(self, *, whole: bool, relative_gap: float, seconds: float) -> tuple[FloatArray, float]:
        """Share of each pair, and what no choice can surpass."""
        n, at = len(self.piece), np.arange(len(self.piece))
        once = sparse.csr_array((np.ones(n), (self.piece, at)), shape=(self.n_pieces, n))
        # In shares of the cap: coefficients near 1 keep the solver's tolerances meaningful.
        scale = np.where(self.cap > 0.0, self.cap, 1.0)
        within = sparse.csr_array((self.paid / scale[self.year], (self.year, at)), shape=(len(scale), n))
        unit = self.value.max()
        found = milp(
            -self.value / unit,
            integrality=np.full(n, int(whole)),
            bounds=Bounds(0.0, 1.0),
            constraints=[
                LinearConstraint(once, ub=np.ones(self.n_pieces)),
                LinearConstraint(within, ub=np.where(self.cap > 0.0, 1.0, 0.0)),
            ],
            # Presolving brings nothing here.
            options={"mip_rel_gap": relative_gap, "time_limit": seconds, "presolve": False},
        )
        proved = found.mip_dual_bound if whole else found.fun
        bound = self._without_caps() if proved is None else -float(proved) * unit
        return (np.zeros(n) if found.x is None else found.x), bound

    def _without_caps(self) -> float:
        """Benefit of everything at its best: the bound that needs no solver."""
        best = np.zeros(self.n_pieces)
        np.maximum.at(best, self.piece, self.value)
        return float(best.sum())

    def rounded(self, share: FloatArray) -> BoolArray:
        """Whole choices near `share`, within the caps to the last cent, with what money is left spent on."""
        # Above a half no piece is chosen twice.
        chosen = share > 0.5
        spent = np.bincount(self.year[chosen], weights=self.paid[chosen], minlength=len(self.cap)).astype(
            float
        )
        for late in np.flatnonzero(spent > self.cap):
            of_year = np.flatnonzero(chosen & (self.year == late))
            for i in of_year[np.argsort(self.value[of_year])]:
                if spent[late] <= self.cap[late]:
                    break
                chosen[i] = False
                spent[late] -= self.paid[i]
        return self._with_rest_spent(chosen, spent)

    def _with_rest_spent(self, chosen: BoolArray, spent: FloatArray) -> BoolArray:
        taken = np.zeros(self.n_pieces, dtype=np.bool_)
        taken[self.piece[chosen]] = True
        for year, left in enumerate(self.cap - spent):
            open_to = np.flatnonzero((self.year == year) & ~taken[self.piece] & (self.paid <= left))
            best_first = open_to[np.argsort(-self.value[open_to], kind="stable")]
            fits = best_first[np.cumsum(self.paid[best_first]) <= left]
            chosen[fits] = True
            taken[self.piece[fits]] = True
        return chosen

    def programme(self, chosen: BoolArray, bound: float) -> Programme:
        """What was chosen, summed up."""
        piece, year, value, paid = (a[chosen] for a in (self.piece, self.year, self.value, self.paid))
        done = np.zeros(self.n_pieces, dtype=np.int64)
        done[piece] = year + 1
        order = np.lexsort((-value / np.maximum(paid, 1e-12), year))
        total = float(value.sum())
        return Programme(
            year=done,
            benefit=total,
            bound=max(bound, total),
            spent=np.bincount(year, weights=paid, minlength=len(self.cap)).astype(np.float64),
            order=np.asarray(piece[order], dtype=np.int64),
        )


def carry_out(simulation: Simulation, programme: Programme, planned: Works, cap: ArrayLike) -> Uint8Array:
    """Year in which each piece is renewed in every draw, so that no draw passes a cap.

    A programme is made with mean prices. In a draw with dearer ones, what does not fit waits for the next year;
    what made trouble before its turn frees its money for those behind it.

    Returns
    -------
    ndarray of uint8, shape (n_pieces, n_draws)
        For `Policy.planned_year`.
    """
    n, n_draws = simulation.stock.n_pieces, simulation.n_draws
    alive = np.zeros((n, n_draws), dtype=np.float32)
    price = np.zeros((n, n_draws))
    done = np.zeros((n, n_draws), dtype=np.uint8)
    most = np.asarray(cap, dtype=np.float64)

    def work(low: int, high: int) -> None:
        simulation.fill(in_the_ground_until, low, high, planned, alive, price)
        postpone_to_fit(
            low, high, programme.order, programme.year, price, alive, most, simulation.growth, done
        )

    simulation.over_draws(work)
    return done
