"""Which connections to renew first: chance times consequence, bundles, and sequences under a budget.

Renewing one connection costs its own works, and a share of setting up (mobilisation) that neighbours on the
same main or in the same opening pay only once. The very best set under a budget is found in `models.best_set`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from models.errors import ModelInputError
from models.looks import BoolArray, FloatArray, IntArray

#: Relative size below which two benefits are the same number.
SAME = 1e-9


@dataclass(frozen=True, kw_only=True)
class Jobs:
    """What could be renewed.

    Attributes
    ----------
    benefit : ndarray, shape (n,)
        Expected benefit of each connection: chance times consequence, 0 or more [risk points].
    cost : ndarray, shape (n,)
        Cost of its own works, above 0 [any money].
    bundle : ndarray of int, shape (n,)
        Bundle that shares one mobilisation, 0 .. n_bundles - 1.
    setup : ndarray, shape (n_bundles,)
        Mobilisation of each bundle, 0 or more [the same money].
    """

    benefit: FloatArray
    cost: FloatArray
    bundle: IntArray
    setup: FloatArray

    def __post_init__(self) -> None:
        """Refuse what no ranking can be made from."""
        n = len(self.benefit)
        if self.cost.shape != (n,) or self.bundle.shape != (n,):
            raise ModelInputError("benefit, cost and bundle must have one entry for each connection.")
        for name, values, bad in (
            ("benefit", self.benefit, ~(self.benefit >= 0) | np.isinf(self.benefit)),
            ("cost", self.cost, ~(self.cost > 0) | np.isinf(self.cost)),
            ("setup", self.setup, ~(self.setup >= 0) | np.isinf(self.setup)),
            ("bundle", self.bundle, (self.bundle < 0) | (self.bundle >= len(self.setup))),
        ):
            if bad.any():
                row = int(np.argmax(bad))
                raise ModelInputError(f"{name} is {values[row]}, which is impossible.", row=row)

    def spent(self, chosen: BoolArray) -> float:
        """Cost of a set, each of its bundles set up once."""
        return float(self.cost[chosen].sum() + self.setup[np.unique(self.bundle[chosen])].sum())


@dataclass(frozen=True, kw_only=True)
class Sequence:
    """Order in which money is best spent, dearest benefit last.

    Attributes
    ----------
    job : ndarray of int, shape (n,)
        Connections in that order; those without benefit are left out.
    package : ndarray of int, shape (n,)
        Package of each, counted from 0: what is bought in one piece, because the mobilisation is only worth
        while for all of it. Every later package is one more connection of a bundle that is set up already.
    cost, benefit : ndarray, shape (n_packages,)
        Totals after each package: the corners of the cumulative benefit curve.
    """

    job: IntArray
    package: IntArray
    cost: FloatArray
    benefit: FloatArray


@dataclass(frozen=True, kw_only=True)
class Choice:
    """A set of connections under a budget.

    Attributes
    ----------
    chosen : ndarray of bool, shape (n,)
        Is in the set.
    cost, benefit : float
        Totals of the set; cost never exceeds the budget.
    bound : float
        No set under this budget has a greater benefit.
    is_best : bool
        The set is proven to reach the bound.
    """

    chosen: BoolArray
    cost: float
    benefit: float
    bound: float
    is_best: bool


def bundle_neighbours(main: ArrayLike, station: ArrayLike, gap: float | None) -> IntArray:
    """Number the bundles that share one mobilisation.

    Parameters
    ----------
    main : array of int, shape (n,)
        Main (or manhole) of each connection.
    station : array, shape (n,)
        Distance along the main [ft]; NaN where not on record: such a connection is a bundle of its own.
    gap : float or None
        Connections of one main that are this near to the next one share an opening [ft]. None: all of one
        main share, whatever their stations.

    Returns
    -------
    ndarray of int, shape (n,)
    """
    mains = np.asarray(main, dtype=np.int64)
    if gap is None:
        return np.unique(mains, return_inverse=True)[1].astype(np.int64)
    stations = np.asarray(station, dtype=np.float64)
    # NaN sorts last within its main; a difference with NaN is never small enough.
    order = np.lexsort((stations, mains))
    starts = np.ones(len(order), dtype=np.bool_)
    starts[1:] = (np.diff(mains[order]) != 0) | ~(np.diff(stations[order]) <= gap)
    bundle = np.empty(len(order), dtype=np.int64)
    bundle[order] = np.cumsum(starts) - 1
    return bundle


def best_sequence(jobs: Jobs) -> Sequence:
    """Order connections by benefit for money, mobilisation counted.

    Returns
    -------
    Sequence

    Notes
    -----
    Within a bundle connections come by benefit over own cost. The first package is the head of that order
    whose benefit over cost with mobilisation is greatest; each further connection is a package, and none has
    a better ratio than the one before it. All packages sorted by ratio are the corners of the upper hull of
    the bundles' own curves, so that at each corner no set of that cost does better (the greedy rule for the
    continuous knapsack problem: G. B. Dantzig, 1957, Operations Research 5, 266-277; from memory).
    """
    useful = np.flatnonzero(jobs.benefit > 0)
    density = jobs.benefit[useful] / jobs.cost[useful]
    order = useful[np.lexsort((useful, -density, jobs.bundle[useful]))]
    bundle = jobs.bundle[order]
    first = np.flatnonzero(np.diff(bundle, prepend=-1))
    size = np.diff(first, append=len(order))
    place = np.arange(len(order)) - np.repeat(first, size)
    benefit = _running(jobs.benefit[order], first, size)
    cost = _running(jobs.cost[order], first, size) + jobs.setup[bundle]
    ratio = benefit / cost
    # Last place of each bundle's head with the greatest ratio.
    best = np.maximum.reduceat(ratio, first) if len(order) else ratio
    is_best = ratio >= np.repeat(best, size)
    head_end = np.zeros(len(order), dtype=np.int64)
    head_end[is_best] = place[is_best]
    last = np.maximum.reduceat(head_end, first) if len(order) else head_end
    in_head = place <= np.repeat(last, size)
    # Rounding must not put a further connection before its own head.
    own = np.minimum(jobs.benefit[order] / jobs.cost[order], np.repeat(best, size))
    worth = np.where(in_head, np.repeat(best, size), own)
    rank = np.lexsort((place, bundle, -worth))
    job = order[rank]
    is_first = np.ones(len(job), dtype=np.bool_)
    is_first[1:] = ~(in_head[rank][1:] & (place[rank][1:] > 0))
    package = np.cumsum(is_first) - 1
    paid = jobs.cost[job] + np.where(place[rank] == 0, jobs.setup[bundle[rank]], 0.0)
    n_packages = int(is_first.sum())
    return Sequence(
        job=job,
        package=package.astype(np.int64),
        cost=np.cumsum(np.bincount(package, paid, n_packages)),
        benefit=np.cumsum(np.bincount(package, jobs.benefit[job], n_packages)),
    )


def _running(values: FloatArray, first: IntArray, size: IntArray) -> FloatArray:
    """Running totals that start anew at each `first`."""
    if len(values) == 0:
        return values
    total = np.cumsum(values)
    before = np.concatenate(([0.0], total))[first]
    return np.asarray(total - np.repeat(before, size), dtype=np.float64)


def choose_in_sequence(jobs: Jobs, budget: float, sequence: Sequence | None = None) -> Choice:
    """Spend the budget along the best sequence, one connection after the other, until the next is too dear.

    Parameters
    ----------
    jobs : Jobs
        What could be renewed.
    budget : float
        Money to spend, above 0.
    sequence : Sequence, optional
        From `best_sequence`, where it is known already.

    Returns
    -------
    Choice
        The better of that set and the one connection that alone does most; its benefit never falls as the
        budget grows. At the end of a package it is the best there is; in between it may be far from that, as
        `bound` tells.
    """
    _check_budget(budget)
    order = best_sequence(jobs) if sequence is None else sequence
    bundle = jobs.bundle[order.job]
    is_first = np.zeros(len(bundle), dtype=np.bool_)
    is_first[np.unique(bundle, return_index=True)[1]] = True
    paid = np.cumsum(jobs.cost[order.job] + np.where(is_first, jobs.setup[bundle], 0.0))
    chosen = np.zeros(len(jobs.benefit), dtype=np.bool_)
    chosen[order.job[: np.searchsorted(paid, budget, side="right")]] = True
    alone = np.flatnonzero(jobs.cost + jobs.setup[jobs.bundle] <= budget)
    if len(alone):
        best = alone[np.argmax(jobs.benefit[alone])]
        if jobs.benefit[best] > jobs.benefit[chosen].sum():
            chosen[:] = False
            chosen[best] = True
    return choice_of(jobs, chosen, _hull(order, budget))


def top_share(draws: Iterable[ArrayLike], k: int) -> FloatArray:
    """Share of draws in which each connection is among the k riskiest.

    Parameters
    ----------
    draws : iterable of array, each shape (n,)
        Chance times consequence under one draw after the other; they need not be held all at once.
    k : int
        Length of the list, 1 .. n.

    Returns
    -------
    ndarray, shape (n,)
        Adds up to k. Where several tie for the last places, each has its fair share of them.
    """
    total, n_draws = np.zeros(0), 0
    for draw in draws:
        row = np.asarray(draw)
        n = len(row)
        if not 1 <= k <= n:
            raise ModelInputError(f"the list has {k} places, but there are {n} connections.")
        if n_draws == 0:
            total = np.zeros(n)
        last = np.partition(row, n - k)[n - k]
        above, equal = row > last, row == last
        total[above] += 1.0
        total[equal] += (k - np.count_nonzero(above)) / np.count_nonzero(equal)
        n_draws += 1
    if n_draws == 0:
        raise ModelInputError("there is no draw to rank by.")
    return total / n_draws


# -- helpers -------------------------------------------------------------------------------------------------


def _check_budget(budget: float) -> None:
    if not (np.isfinite(budget) and budget > 0):
        raise ModelInputError(f"the budget is {budget}; it must be above 0.")


def choice_of(jobs: Jobs, chosen: BoolArray, bound: float) -> Choice:
    """What a set costs and does, beside what no set can exceed."""
    benefit = float(jobs.benefit[chosen].sum())
    return Choice(
        chosen=chosen,
        cost=jobs.spent(chosen),
        benefit=benefit,
        bound=max(bound, benefit),
        is_best=reaches(jobs, chosen, bound),
    )


def reaches(jobs: Jobs, chosen: BoolArray, bound: float) -> bool:
    """Whether a set does as much as any set can."""
    return bool(jobs.benefit[chosen].sum() >= bound * (1 - SAME))


def _hull(order: Sequence, budget: float) -> float:
    """Benefit if the first package that is too dear could be bought in part."""
    whole = int(np.searchsorted(order.cost, budget, side="right"))
    if whole == len(order.cost):
        return float(order.benefit[-1]) if whole else 0.0
    cost = np.concatenate(([0.0], order.cost))
    benefit = np.concatenate(([0.0], order.benefit))
    part = (budget - cost[whole]) / (cost[whole + 1] - cost[whole])
    return float(benefit[whole] + part * (benefit[whole + 1] - benefit[whole]))
