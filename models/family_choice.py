"""Which family of failure-age curves predicts records that it has not seen best."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from sklearn.base import clone

from models.errors import ModelInputError
from models.families import FAMILIES
from models.intervals import FloatArray, IntArray, numbers
from models.patterns import total_by
from models.regression import IntervalRegression

#: The family kept unless another is better by more than the error of the comparison.
FAVOURED = "weibull"
N_FOLDS = 10


@dataclass(frozen=True)
class FamilyScore:
    """How one family did.

    Attributes
    ----------
    family : str
    log_score : float
        Held-out log-likelihood per unit; higher is better, NaN where a fold could not be fitted.
    standard_error : float
        Of `log_score`, groups taken as independent.
    behind, behind_error : float
        Log score of the best family less this one's, and the standard error of that difference, from
        differences within groups; 0 for the best.
    aic : float
        Of the fit to all records.
    status, reason : str
        Of the fit to all records, or of the first fold that could not be fitted.
    """

    family: str
    log_score: float
    standard_error: float
    behind: float
    behind_error: float
    aic: float
    status: str
    reason: str


@dataclass(frozen=True)
class FamilyChoice:
    """The family chosen, why, and the table.

    Attributes
    ----------
    family : str or None
        None where no family could be fitted to every fold.
    reason : str
        One sentence.
    scores : tuple of FamilyScore
        In the order of `families`.
    n_units, n_groups : float, int
        Units and groups behind the scores.
    """

    family: str | None
    reason: str
    scores: tuple[FamilyScore, ...]
    n_units: float
    n_groups: int


def choose_family(
    X: ArrayLike | None,
    left: ArrayLike,
    right: ArrayLike,
    *,
    rng: np.random.Generator,
    weight: ArrayLike | None = None,
    entry: ArrayLike | None = None,
    exposure: ArrayLike | None = None,
    shape_X: ArrayLike | None = None,
    groups: ArrayLike | None = None,
    families: Sequence[str] = FAMILIES,
    n_folds: int = N_FOLDS,
    model: IntervalRegression | None = None,
) -> FamilyChoice:
    """Compare families by the log score of records held out by group.

    Parameters
    ----------
    X, left, right, weight, entry, exposure, shape_X
        As in `IntervalRegression.fit`. An intercept is best left to the model, or every fold needs one.
    rng : numpy.random.Generator
        Deals groups to folds.
    groups : array, shape (n,), optional
        What must not be torn apart, such as subdivisions: neighbours share their pipe. Default: every
        record is its own group.
    families : sequence of str
        Families to compare.
    n_folds : int
        At most as many as there are groups.
    model : IntervalRegression, optional
        Its settings other than the family are used.

    Returns
    -------
    FamilyChoice

    Raises
    ------
    ModelInputError
        For impossible records, as in `fit`; fewer than two folds or groups; no family given.

    Notes
    -----
    Best is the highest mean held-out log-likelihood (Geisser & Eddy 1979, J. Am. Statist. Assoc. 74:153;
    it is a proper score, Gneiting & Raftery 2007, same journal 102:359; both from memory). The Weibull is
    kept when it is behind by no more than one standard error of the paired difference (the one-standard-
    error rule, Breiman et al. 1984, from memory): it is the law of `models.lives`, behind scores, and
    pipes of it in series are Weibull again, so that a line's length only shifts its scale. Camera records seldom reach the ages at which families part, so near ties are the rule.
    """
    columns = _columns(
        X=X, left=left, right=right, weight=weight, entry=entry, exposure=exposure, shape_X=shape_X
    )
    n = len(columns["left"])
    group = _groups(groups, n)
    n_groups = int(group.max(initial=-1)) + 1
    if not families:
        raise ModelInputError("no family was given to choose from.")
    if min(n_folds, n_groups) < 2:
        raise ModelInputError(f"{n_folds} folds of {n_groups} groups: at least two of each are needed.")
    fold = _deal(n_groups, min(n_folds, n_groups), rng)[group]
    units = np.ones(n) if weight is None else columns["weight"]
    base = IntervalRegression() if model is None else model
    results = [_held_out(clone(base).set_params(family=family), columns, fold) for family in families]
    by_group = [None if each is None else total_by(group, units * each, n_groups) for _, each in results]
    size = total_by(group, units, n_groups)
    scores = _table([fit for fit, _ in results], by_group, size)
    family, reason = _verdict(scores)
    return FamilyChoice(family, reason, scores, float(units.sum()), n_groups)


def _columns(**given: ArrayLike | None) -> dict[str, Any]:
    """What was given, as arrays of as many rows as `left`."""
    columns = {name: numbers(array, name) for name, array in given.items() if array is not None}
    n = len(np.atleast_1d(columns["left"]))
    for name, array in columns.items():
        if array.ndim == 0 or len(array) != n:
            raise ModelInputError(
                f"left has {n} records and {name} has {array.size if array.ndim < 2 else len(array)}."
            )
    return columns


def _groups(groups: ArrayLike | None, n: int) -> IntArray:
    if groups is None:
        return np.arange(n)
    given = np.asarray(groups)
    if given.shape != (n,):
        raise ModelInputError(f"left has {n} records and groups has shape {given.shape}.")
    return np.unique(given, return_inverse=True)[1].astype(np.int64)


def _deal(n_groups: int, n_folds: int, rng: np.random.Generator) -> IntArray:
    """Fold of each group: at random, equal in number of groups."""
    return rng.permutation(np.arange(n_groups, dtype=np.int64) % n_folds)


def _held_out(
    model: IntervalRegression, columns: dict[str, Any], fold: IntArray
) -> tuple[IntervalRegression, FloatArray | None]:
    """Fit to all records (or the first fold's that failed), and each record's log score when held out."""
    each = np.full(len(fold), np.nan)
    whole = clone(model).fit(columns.get("X"), **_rest(columns, slice(None)))
    if whole.status_ != "ok":
        return whole, None
    for k in np.unique(fold):
        out = fold == k
        part = clone(model).fit(_take(columns.get("X"), ~out), **_rest(columns, ~out))
        if part.status_ != "ok":
            return part, None
        kept = _rest(columns, out)
        kept.pop("weight", None)
        each[out] = part.log_scores(_take(columns.get("X"), out), **kept)
    return whole, each


def _take(array: FloatArray | None, which: NDArray[np.bool_]) -> FloatArray | None:
    return None if array is None else array[which]


def _rest(columns: dict[str, Any], which: Any) -> dict[str, Any]:
    return {name: array[which] for name, array in columns.items() if name != "X"}


def _table(
    fits: list[IntervalRegression], by_group: list[FloatArray | None], size: FloatArray
) -> tuple[FamilyScore, ...]:
    means = np.array([np.nan if total is None else total.sum() / size.sum() for total in by_group])
    best = by_group[int(np.nanargmax(means))] if np.isfinite(means).any() else None
    table = []
    for fit, total, mean in zip(fits, by_group, means, strict=True):
        nan = float("nan")
        error = behind = behind_error = nan
        if total is not None and best is not None:
            error = _error_of_mean(total, size)
            behind = float((best - total).sum() / size.sum())
            behind_error = _error_of_mean(best - total, size)
        table.append(
            FamilyScore(
                fit.family, float(mean), error, behind, behind_error, fit.aic_, fit.status_, fit.reason_
            )
        )
    return tuple(table)


def _error_of_mean(total: FloatArray, size: FloatArray) -> float:
    """Standard error of the ratio Σ total / Σ size over independent groups (linearised)."""
    away = total - size * total.sum() / size.sum()
    n = int((size > 0).sum())
    return float(np.sqrt((away**2).sum() * n / max(n - 1, 1)) / size.sum())


def _verdict(scores: tuple[FamilyScore, ...]) -> tuple[str | None, str]:
    usable = [score for score in scores if np.isfinite(score.log_score)]
    if not usable:
        return None, f"No family could be fitted to every part of these records. {scores[0].reason}"
    best = max(usable, key=lambda score: score.log_score)
    favoured = next((score for score in usable if score.family == FAVOURED), None)
    if favoured is None or favoured is best:
        return best.family, f"The {best.family} gave the highest chance to records held out."
    gap = f"{favoured.behind:.2g} (standard error {favoured.behind_error:.2g}) per record"
    if favoured.behind <= favoured.behind_error:
        return (
            favoured.family,
            f"The {best.family} is ahead by {gap} on records held out: no more than chance, so the "
            f"{favoured.family} is kept.",
        )
    return best.family, f"The {best.family} is ahead of the {favoured.family} by {gap} on records held out."
