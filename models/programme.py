"""Which pipes to renew in which year, when every year has a cap: the best choice, and how good it must be.

The choice is a multiple-choice knapsack with one constraint per year. It is left to the HiGHS solver through
`scipy.optimize.milp`, which also proves how much a better choice could bring at most.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import sparse
from scipy.optimize import Bounds, LinearConstraint, milp

from models.errors import ModelInputError
from models.looks import FloatArray, IntArray
from models.renewal import Simulation, Uint8Array, Works
from models.renewal_kernels import first_troubles, postpone_to_fit

#: A choice this close to the best is good enough where the whole proof would take long.
ENOUGH_GAP = 1e-3
#: Time for the solver [s].
SOLVER_SECONDS = 30.0
#: A benefit below this share of the largest counts as none.
NOTHING = 1e-12


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
    *,
    relative_gap: float = ENOUGH_GAP,
    seconds: float = SOLVER_SECONDS,
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
    relative_gap : float
        Share of the benefit for which the solver need not search on; 0 for a proof.
    seconds : float
        Time allowed; the bound says what that may have cost.

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
    n, years = gain.shape
    useful = (gain > NOTHING * max(gain.max(initial=0.0), 1.0)) & (price <= most)
    piece, year = np.nonzero(useful)
    if len(piece) == 0:
        nothing = np.zeros(n, dtype=np.int64)
        return Programme(
            year=nothing, benefit=0.0, bound=0.0, spent=np.zeros(years), order=np.empty(0, dtype=np.int64)
        )
    value, paid = gain[piece, year], price[piece, year]
    at = np.arange(len(piece))
    once = sparse.csr_array((np.ones(len(piece)), (piece, at)), shape=(n, len(piece)))
    # In shares of the cap: coefficients near 1 keep the solver's tolerances meaningful.
    scale = np.where(most > 0.0, most, 1.0)
    within = sparse.csr_array((paid / scale[year], (year, at)), shape=(years, len(piece)))
    unit = value.max()
    found = milp(
        -value / unit,
        integrality=np.ones(len(piece)),
        bounds=Bounds(0.0, 1.0),
        constraints=[
            LinearConstraint(once, ub=np.ones(n)),
            LinearConstraint(within, ub=np.where(most > 0.0, 1.0, 0.0)),
        ],
        # Presolving brings nothing here, and one version of the solver then writes to the user's terminal.
        options={"mip_rel_gap": relative_gap, "time_limit": seconds, "presolve": False},
    )
    chosen = np.zeros(len(piece), dtype=np.bool_) if found.x is None else found.x > 0.5
    chosen = _within_caps(chosen, piece, year, value, paid, most)
    proved = found.mip_dual_bound
    bound = _no_caps(value, piece, n) if proved is None else -float(proved) * unit
    return _programme(chosen, piece, year, value, paid, n, years, bound)


def _no_caps(value: FloatArray, piece: IntArray, n: int) -> float:
    """Benefit of everything at its best: the bound that needs no solver."""
    best = np.zeros(n)
    np.maximum.at(best, piece, value)
    return float(best.sum())


def _check(gain: FloatArray, price: FloatArray, most: FloatArray) -> None:
    if gain.ndim != 2 or price.shape != gain.shape or most.shape != (gain.shape[1],):
        raise ModelInputError("benefit and cost need one row per piece and one column per year of the cap.")
    for name, value in (("benefit", gain), ("cost", price), ("cap", most)):
        if not np.isfinite(value).all():
            raise ModelInputError(f"{name} holds a value that is not finite.")
    if (price < 0.0).any() or (most < 0.0).any():
        raise ModelInputError("a cost or a cap is negative.")


def _within_caps(
    chosen: np.ndarray, piece: IntArray, year: IntArray, value: FloatArray, paid: FloatArray, most: FloatArray
) -> np.ndarray:
    """Give up the poorest choices of a year that passes its cap by the solver's tolerance."""
    kept = chosen.copy()
    spent = np.bincount(year[kept], weights=paid[kept], minlength=len(most))
    for late in np.flatnonzero(spent > most):
        of_year = np.flatnonzero(kept & (year == late))
        for i in of_year[np.argsort(value[of_year])]:
            if spent[late] <= most[late]:
                break
            kept[i] = False
            spent[late] -= paid[i]
    return kept


def _programme(
    chosen: np.ndarray,
    piece: IntArray,
    year: IntArray,
    value: FloatArray,
    paid: FloatArray,
    n: int,
    years: int,
    bound: float,
) -> Programme:
    done = np.zeros(n, dtype=np.int64)
    done[piece[chosen]] = year[chosen] + 1
    ratio = value[chosen] / np.maximum(paid[chosen], 1e-12)
    order = np.lexsort((-ratio, year[chosen]))
    total = float(value[chosen].sum())
    return Programme(
        year=done,
        benefit=total,
        bound=max(bound, total),
        spent=np.bincount(year[chosen], weights=paid[chosen], minlength=years).astype(np.float64),
        order=piece[chosen][order],
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
    price = np.zeros((n, n_draws), dtype=np.float32)
    done = np.zeros((n, n_draws), dtype=np.uint8)
    most = np.asarray(cap, dtype=np.float64)

    def work(low: int, high: int) -> None:
        simulation.fill(first_troubles, low, high, planned, alive, price)
        postpone_to_fit(
            low, high, programme.order, programme.year, price, alive, most, simulation.growth, done
        )

    simulation.over_draws(work)
    return done
