"""Hazard multipliers of areas that are like their neighbours: a conditional autoregression."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike
from scipy import sparse
from scipy.optimize import minimize_scalar
from scipy.sparse.linalg import splu
from scipy.special import ndtr, ndtri

from models.area_hazards import (
    LARGEST_VARIANCE,
    NOTABLE,
    SMALLEST_VARIANCE,
    AreaHazards,
    AreaLooks,
    CallBounds,
    Derivatives,
    no_variation,
)
from models.local_statistics import Weights, block_edges
from models.looks import FloatArray
from models.sparse_inverse import inverse_diagonal

#: Share of the log precision that lies with the neighbours in a conditional autoregression.
SHARES = (0.0, 0.5, 0.8, 0.95)
#: Where areas are more than this the search is coarser: fewer shares, and variances to a fifth.
MANY_AREAS, SHARES_OF_MANY = 5_000, (0.5, 0.95)
FINE_SEARCH, COARSE_SEARCH = 0.05, 0.2


def neighbour_hazards(
    chance: ArrayLike,
    events: ArrayLike,
    area: ArrayLike,
    weights: Weights,
    *,
    level: float = 0.9,
    prior: tuple[float, float] | None = None,
    bounds: CallBounds | None = None,
) -> AreaHazards:
    """Multipliers drawn towards those of neighbouring areas.

    Parameters
    ----------
    chance, events, area : array, shape (n,)
        As for `models.area_hazards.gamma_hazards`.
    weights : csr_array, shape (n_areas, n_areas)
        Binary neighbours; made symmetric.
    level : float
        Level of the ranges.
    prior : tuple of float, optional
        Share of the neighbours and variance to use; default: what the looks choose.
    bounds : CallBounds, optional
        As for `models.area_hazards.gamma_hazards`.

    Returns
    -------
    AreaHazards

    Notes
    -----
    Log multipliers are normal with precision (share · (D - W) + (1 - share) · I) / variance: B. G. Leroux, X. Lei
    and N. Breslow, "Estimation of disease rates in small areas", in Statistical Models in Epidemiology,
    Springer 2000. Share and variance by the Laplace approximation to the marginal likelihood, posterior normal
    around its mode.
    """
    looks = AreaLooks(chance, events, area, weights.shape[0], bounds)
    first, second = block_edges(weights)
    n_edges, n_areas = len(first), looks.n_areas
    incidence = sparse.csr_array(
        (
            np.concatenate((np.ones(n_edges), -np.ones(n_edges))),
            (np.tile(np.arange(n_edges), 2), np.concatenate((first, second))),
        ),
        shape=(n_edges, n_areas),
    )
    laplacian = sparse.csc_array(incidence.T @ incidence)
    shares: tuple[float, ...] = SHARES if n_areas <= MANY_AREAS else SHARES_OF_MANY
    if prior is not None or not n_edges:
        shares = (0.0,) if prior is None else (prior[0],)
    tried = [_best_variance(looks, _Structure(laplacian, share), prior) for share in shares]
    gain, structure, variance, mode = max(tried, key=lambda one: one[0])
    share = structure.share
    if gain <= 0 or variance <= 1.5 * SMALLEST_VARIANCE:
        return no_variation(looks, share)
    mode, at_mode = _mode(looks, structure, variance, mode)
    bend = np.maximum(at_mode[2], 0.0)
    spread = structure.deviations(variance, bend)
    deviate = float(ndtri((1 + level) / 2))
    mean = np.exp(mode + spread**2 / 2)
    return AreaHazards(
        level=looks.level,
        variance=variance,
        neighbour_share=share,
        log_likelihood_gain=gain if prior is None else np.nan,
        mean=mean,
        sd=mean * np.sqrt(np.expm1(spread**2)),
        lower=np.exp(mode - deviate * spread),
        upper=np.exp(mode + deviate * spread),
        probability_notable=ndtr((mode - np.log(NOTABLE)) / np.maximum(spread, 1e-12)),
    )


class _Structure:
    """Precision of log multipliers of variance 1, and factors of it that share an ordering of the areas.

    Attributes
    ----------
    share : float
        Share of the precision that lies with the neighbours.
    matrix : csc_array, shape (n_areas, n_areas)
    log_determinant : float
    """

    def __init__(self, laplacian: Any, share: float) -> None:
        self.share = share
        n_areas = laplacian.shape[0]
        self.matrix = sparse.csc_array(share * laplacian + (1 - share) * sparse.eye_array(n_areas))
        # An ordering made for symmetric matrices keeps factors sparse. To find it takes longer than to factor.
        first = _factor(self.matrix, "MMD_AT_PLUS_A")
        self.log_determinant = _log_determinant(first)
        self._place = first.perm_c
        self._order = np.argsort(first.perm_c)
        self._ordered = sparse.csc_array(self.matrix[self._order][:, self._order])
        self._ordered.sort_indices()
        column = np.repeat(np.arange(n_areas), np.diff(self._ordered.indptr))
        self._diagonal = np.flatnonzero(self._ordered.indices == column)

    def factored(self, variance: float, added: FloatArray) -> Any:
        """Factor the precision of that variance with something added to its diagonal, areas in their new order."""
        entries = self._ordered.data / variance
        entries[self._diagonal] += added[self._order]
        matrix = sparse.csc_array((entries, self._ordered.indices, self._ordered.indptr), self.matrix.shape)
        return _factor(matrix, "NATURAL")

    def solve(self, factor: Any, right: FloatArray) -> FloatArray:
        """Solve with a factor from `factored`, areas in their own order."""
        solved: FloatArray = factor.solve(right[self._order])[self._place]
        return solved

    def deviations(self, variance: float, added: FloatArray) -> FloatArray:
        """Posterior standard deviations, areas in their own order."""
        found: FloatArray = np.sqrt(inverse_diagonal(self.factored(variance, added))[self._place])
        return found


def _best_variance(
    looks: AreaLooks, structure: _Structure, prior: tuple[float, float] | None
) -> tuple[float, _Structure, float, FloatArray]:
    """Gain over no variation, structure, variance and mode at the variance of the largest marginal likelihood."""
    if prior is not None:
        # Chosen elsewhere: to be used, whatever these looks alone would gain by it.
        return (1.0 if prior[1] > 0 else 0.0), structure, prior[1], np.zeros(looks.n_areas)
    fit = _Marginal(looks, structure)
    found = minimize_scalar(
        lambda log: -fit(np.exp(log)),
        bounds=(np.log(SMALLEST_VARIANCE), np.log(LARGEST_VARIANCE * 3)),
        method="bounded",
        options={"xatol": FINE_SEARCH if looks.n_areas <= MANY_AREAS else COARSE_SEARCH, "maxiter": 15},
    )
    flat = looks.derivatives(np.zeros(looks.n_areas))[0]
    return -float(found.fun) - flat, structure, float(np.exp(found.x)), fit.mode


class _Marginal:
    """Laplace log marginal likelihood as a function of the variance, from where the last search ended."""

    def __init__(self, looks: AreaLooks, structure: _Structure) -> None:
        self.looks, self.structure = looks, structure
        self.mode = np.zeros(looks.n_areas)

    def __call__(self, variance: float) -> float:
        self.mode, (value, _, bend) = _mode(self.looks, self.structure, variance, self.mode)
        posterior = self.structure.factored(variance, np.maximum(bend, 0.0))
        return value + 0.5 * float(
            self.structure.log_determinant
            - self.looks.n_areas * np.log(variance)
            - self.mode @ (self.structure.matrix @ self.mode) / variance
            - _log_determinant(posterior)
        )


def _mode(
    looks: AreaLooks, structure: _Structure, variance: float, start: FloatArray
) -> tuple[FloatArray, Derivatives]:
    """Posterior mode of the log multipliers by Newton steps, halved where one goes too far; derivatives there."""

    def pull(log_multiplier: FloatArray) -> FloatArray:
        return np.asarray(structure.matrix @ log_multiplier / variance, dtype=float)

    at, found, pulled = start, looks.derivatives(start), pull(start)
    now = found[0] - 0.5 * float(at @ pulled)
    for _ in range(50):
        _, slope, bend = found
        step = structure.solve(structure.factored(variance, np.maximum(bend, 1e-9)), slope - pulled)
        for _ in range(20):
            found, pulled = looks.derivatives(at + step), pull(at + step)
            then = found[0] - 0.5 * float((at + step) @ pulled)
            if then >= now - 1e-9:
                break
            step = step / 2
        at, gained, now = at + step, then - now, then
        if gained < 1e-6 and np.max(np.abs(step)) < 1e-3:
            break
    return at, found


def _factor(matrix: Any, ordering: str) -> Any:
    """Factor a symmetric positive definite matrix."""
    # Column by column: in so sparse a factor blocks of columns only make work.
    return splu(
        matrix,
        permc_spec=ordering,
        diag_pivot_thresh=0.0,
        relax=1,
        panel_size=1,
        options={"SymmetricMode": True},
    )


def _log_determinant(factor: Any) -> float:
    return float(np.log(np.abs(factor.U.diagonal())).sum())
