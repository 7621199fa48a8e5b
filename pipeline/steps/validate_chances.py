"""What the life regression leads one to expect of looks that were kept from it."""

from __future__ import annotations

import numpy as np
import polars as pl

from models.looks import FloatArray
from pipeline.steps.fit_candidates import ROW_KEYS, candidates
from pipeline.steps.fit_input import Exposure
from pipeline.steps.fit_regression import OutcomeFit

#: Nodes and weights over the install range (three-point Gauss-Legendre on 0 to 1).
NODES = np.polynomial.legendre.leggauss(3)[0] / 2 + 0.5
NODE_WEIGHTS = np.polynomial.legendre.leggauss(3)[1] / 2
#: The same for what an area has in common, a normal variable (five-point Gauss-Hermite).
AREA_NODES = np.polynomial.hermite_e.hermegauss(5)[0]
AREA_WEIGHTS = np.polynomial.hermite_e.hermegauss(5)[1] / np.sqrt(2 * np.pi)


def chance_at_looks(fit: OutcomeFit, exposure: Exposure, looks: pl.DataFrame) -> FloatArray:
    """Chance that each look calls the life failed.

    Parameters
    ----------
    fit : OutcomeFit
        Fitted without these looks.
    exposure : Exposure
        All lives.
    looks : DataFrame
        `life_id, look_at`.

    Returns
    -------
    ndarray, shape (n_looks,)
        Averaged over the install range, over what the material may be, and over what the area has in common
        as far as the fit leaves it open; with the camera's errors.
    """
    numbered = (
        looks.select("life_id", "look_at")
        .with_row_index("life")
        .join(exposure.lives.drop("lot_id"), on="life_id")
    )
    possible = (
        candidates(numbered, fit.design.shares)
        .join(fit.design.rows, on=list(ROW_KEYS), nulls_equal=True)
        .join(numbered.select("life", "look_at"), on="life")
    )
    youngest = (possible["look_at"] - possible["install_to"]).to_numpy()
    width = (possible["install_to"] - possible["install_from"]).to_numpy()
    rows = possible["row"].to_numpy()
    at_nodes = [_over_areas(fit, np.maximum(youngest + node * width, 0.0), rows) for node in NODES]
    failed = (NODE_WEIGHTS @ np.stack(at_nodes)) * possible["probability"].to_numpy()
    summed = np.bincount(possible["life"].to_numpy(), weights=failed, minlength=looks.height)
    detection = fit.fitted.detection
    false_alarm = 1 - detection.specificity
    called = false_alarm + (detection.sensitivity - false_alarm) * np.clip(summed, 0.0, 1.0)
    return np.asarray(called, dtype=np.float64)


def _over_areas(fit: OutcomeFit, age: FloatArray, rows: np.ndarray) -> FloatArray:
    """F averaged over the hazard multipliers of areas, each with the uncertainty that the fit left."""
    effects = fit.fitted.effects
    design = fit.design
    X, Z, W = design.X[rows], design.Z[rows], design.start_of(rows)
    if effects is None:
        return fit.fitted.failure_probability(age, X, Z, W)
    draws = np.stack(
        [
            np.concatenate((fit.fitted.coef, effects.value + node * effects.standard_error))
            for node in AREA_NODES
        ]
    )
    by_node = fit.fitted.failure_probability(age, X, Z, W, draws=draws, group=design.group[rows])
    averaged: FloatArray = AREA_WEIGHTS @ by_node
    return averaged
