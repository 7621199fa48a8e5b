"""The best set of connections under a budget: a knapsack with fixed charges, solved by mixed-integer programming.

Maximise sum(benefit_i x_i) under sum(cost_i x_i) + sum(setup_g y_g) <= budget and x_i <= y_g(i).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.optimize import Bounds, LinearConstraint, milp

from models.looks import BoolArray, FloatArray, IntArray
from models.ranking import SAME, Choice, Jobs, Sequence, best_sequence, choice_of, choose_in_sequence, reaches

#: Packages past the last affordable one that are tried for what is left of the budget.
FILL_TRIES = 2_000
#: Solves with a slightly smaller budget after the solver's own tolerance overspent it.
MOST_SOLVES = 5


def choose_best(
    jobs: Jobs, budget: float, *, seconds: float = 20.0, sequence: Sequence | None = None
) -> Choice:
    """Find the set with the greatest benefit under the budget.

    Parameters
    ----------
    jobs : Jobs
        What could be renewed.
    budget : float
        Money to spend, above 0.
    seconds : float
        Time after which the best set so far is taken [s]; then `is_best` is False.
    sequence : Sequence, optional
        From `best_sequence`, where it is known already.

    Returns
    -------
    Choice

    Raises
    ------
    ModelInputError
        The budget is no positive number.

    Notes
    -----
    Connections that cannot be in (or out of) any better set are settled first, by the Lagrangian bound at the
    price of money where the sequence breaks off; the rest is a mixed-integer program for HiGHS.
    """
    start = choose_in_sequence(jobs, budget, sequence)
    order = best_sequence(jobs) if sequence is None else sequence
    chosen = _filled(jobs, budget, order, start.chosen)
    bound = start.bound
    if not reaches(jobs, chosen, bound):
        fixed_in, free = _settled(jobs, budget, order, float(jobs.benefit[chosen].sum()))
        chosen, bound = _solved(jobs, budget, chosen, bound, fixed_in, free, seconds)
    return choice_of(jobs, chosen, bound)


def _filled(jobs: Jobs, budget: float, order: Sequence, chosen: BoolArray) -> BoolArray:
    """Spend what is left on single connections further down, in order."""
    filled = chosen.copy()
    is_open = np.zeros(len(jobs.setup), dtype=np.bool_)
    is_open[jobs.bundle[chosen]] = True
    left = budget - jobs.spent(chosen)
    for job in order.job[~chosen[order.job]][:FILL_TRIES]:
        price = jobs.cost[job] + (0.0 if is_open[jobs.bundle[job]] else jobs.setup[jobs.bundle[job]])
        if price <= left:
            filled[job] = is_open[jobs.bundle[job]] = True
            left -= price
    return filled if jobs.spent(filled) <= budget else chosen


def _settled(jobs: Jobs, budget: float, order: Sequence, known: float) -> tuple[BoolArray, BoolArray]:
    """Connections that any better set than the known one has, and those still open."""
    whole = int(np.searchsorted(order.cost, budget, side="right"))
    cost = np.concatenate(([0.0], order.cost))
    benefit = np.concatenate(([0.0], order.benefit))
    at = min(whole, len(order.cost) - 1)
    price = (benefit[at + 1] - benefit[at]) / (cost[at + 1] - cost[at])
    gain = jobs.benefit - price * jobs.cost
    n_bundles = len(jobs.setup)
    inside = np.bincount(jobs.bundle, np.maximum(gain, 0.0), n_bundles) - price * jobs.setup
    of_bundle = np.maximum(inside, 0.0)
    bound = price * budget + of_bundle.sum()
    # Value of the bundle with the connection forced in, and forced out.
    forced_in = inside[jobs.bundle] + np.minimum(gain, 0.0)
    forced_out = np.maximum(inside[jobs.bundle] - np.maximum(gain, 0.0), 0.0)
    least = known * (1 - SAME)
    never = (bound - of_bundle[jobs.bundle] + forced_in < least) | (jobs.benefit <= 0)
    always = (bound - of_bundle[jobs.bundle] + forced_out < least) & ~never
    return always, ~never & ~always


def _solved(
    jobs: Jobs,
    budget: float,
    known: BoolArray,
    bound: float,
    fixed_in: BoolArray,
    free: BoolArray,
    seconds: float,
) -> tuple[BoolArray, float]:
    """Best set found, and what no set can exceed."""
    item = np.flatnonzero(free)
    base = float(jobs.benefit[fixed_in].sum())
    left = budget - jobs.spent(fixed_in)
    if len(item) == 0 or left <= 0:
        # No better set is left, or what is in every better set costs too much: the known one is best.
        return known, float(jobs.benefit[known].sum())
    is_open = np.zeros(len(jobs.setup), dtype=np.bool_)
    is_open[jobs.bundle[fixed_in]] = True
    setup = np.where(is_open, 0.0, jobs.setup)
    allowed = left
    for solve in range(MOST_SOLVES):
        found, best_possible = _program(jobs, item, setup, allowed, seconds)
        if solve == 0 and best_possible is not None:
            bound = min(bound, max(base + best_possible, float(jobs.benefit[known].sum())))
        if found is None:
            break
        candidate = fixed_in.copy()
        candidate[item[found]] = True
        over = jobs.spent(candidate) - budget
        if over <= 0:
            better = jobs.benefit[candidate].sum() > jobs.benefit[known].sum()
            return (candidate if better else known), bound
        allowed -= over + 1e-9 * budget
    return known, bound


def _program(
    jobs: Jobs, item: IntArray, setup: FloatArray, budget: float, seconds: float
) -> tuple[NDArray[np.bool_] | None, float | None]:
    """Solve the open part; variables are the connections, then the bundles."""
    bundles, of_item = np.unique(jobs.bundle[item], return_inverse=True)
    n, m = len(item), len(bundles)
    scale = float(jobs.benefit[item].max())
    money = sparse.csr_array(np.concatenate((jobs.cost[item], setup[bundles]))[None, :] / budget)
    row = np.arange(n)
    needs = sparse.csr_array(
        (np.repeat([1.0, -1.0], n), (np.tile(row, 2), np.concatenate((row, n + of_item)))), shape=(n, n + m)
    )
    result = milp(
        np.concatenate((-jobs.benefit[item] / scale, np.zeros(m))),
        constraints=[LinearConstraint(money, -np.inf, 1.0), LinearConstraint(needs, -np.inf, 0.0)],
        integrality=np.ones(n + m),
        bounds=Bounds(0.0, 1.0),
        options={"time_limit": seconds, "mip_rel_gap": 0.0},
    )
    dual = getattr(result, "mip_dual_bound", None)
    best_possible = None if dual is None or not np.isfinite(dual) else -float(dual) * scale
    found = None if result.x is None else result.x[:n] > 0.5
    return found, best_possible
