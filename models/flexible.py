"""The chance that a pipe has failed by an age, learnt from looks by trees that never fall with age.

A check on every law of ageing that is assumed elsewhere: trees assume none.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Any, Self

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import minimize
from scipy.special import expit
from sklearn.base import BaseEstimator, ClassifierMixin
from sklearn.model_selection import GroupKFold
from sklearn.preprocessing import OrdinalEncoder
from sklearn.utils import Tags
from sklearn.utils.multiclass import type_of_target
from sklearn.utils.validation import _check_sample_weight, check_is_fitted, validate_data

from models.errors import ModelInputError
from models.flexible_members import Boosted, Forest, Layout, Life, Member
from models.intervals import FloatArray, IntArray

#: Strength with which the members' weights are drawn to equal shares, in groups of records: a normal prior of
#: standard deviation 1 / √8, so that a member of three may count for nothing or for twice its share; judgement.
EQUAL_SHARES = 4.0
MOST_CATEGORIES = 100
#: Trees hold numbers in single precision, which ends at 3e38.
LARGEST = 1e30


class StatusModel(ClassifierMixin, BaseEstimator):  # type: ignore[misc]  # scikit-learn is untyped
    """Chance of "already failed" at a look (current status), never falling with age.

    Three members are fitted and put together: boosted trees, a forest of random trees, both monotone in age,
    and a life regression (log-logistic). With a place, the boosted trees also see how much worse than
    expected the neighbours were. The weight of each member, none negative, is chosen by a logistic regression
    on its predictions for groups that it had not seen, which calibrates the whole; so the chance cannot fall
    with age. Few groups draw the weights to equal shares.

    Parameters
    ----------
    age : int or str
        Column of age [years], by position or, for a data frame, by name.
    categorical : sequence of int or str
        Columns of categories, such as material: text or codes.
    place : sequence of two int or str, optional
        Columns of coordinates. None where predictions are for places unlike those of the records.
    alike : sequence of int or str
        Columns besides the categories, such as the nominal size, that neighbours must share to be of one kind;
        they tell the pipes of one line from others near by.
    n_boosted : int
        Boosted models that are averaged, each with its own seed.
    n_trees : int
        Trees of the forest; 0 for none.
    max_iter, learning_rate, max_leaf_nodes, min_samples_leaf, l2_regularization, max_features
        Of the boosted trees; see `sklearn.ensemble.HistGradientBoostingClassifier`.
    n_folds : int
        Groups of groups left out in turn to weigh and calibrate.
    random_state : int or None
        Seed.

    Attributes
    ----------
    classes_ : ndarray, shape (2,)
        Outcomes; the second is "failed".
    member_names_ : tuple of str
    member_weights_ : ndarray, shape (n_members,)
        Coefficients of the members' log odds.
    intercept_ : float
    out_of_fold_ : ndarray, shape (n,)
        Calibrated chance of each record from members that had not seen its group.
    n_features_in_ : int
    n_iter_ : int
        Boosting steps of each boosted model.

    Notes
    -----
    Looks at one pipe, or in one street, resemble each other. What is left out together must be what will be
    new together: give `groups` the pipe where predictions are for other pipes of the same streets, and the
    area where they are for streets without records. A pipe looked at k times should weigh 1/k each
    (`sample_weight`) or be one group.

    References
    ----------
    Stacking with weights that are not negative: Breiman 1996, Machine Learning 24:49-64. Calibration by
    logistic regression on log odds: Cox 1958, Biometrika 45:562 (both from memory).
    """

    def __init__(
        self,
        *,
        age: int | str = 0,
        categorical: Sequence[int | str] = (),
        place: Sequence[int | str] | None = None,
        alike: Sequence[int | str] = (),
        n_boosted: int = 2,
        n_trees: int = 100,
        max_iter: int = 120,
        learning_rate: float = 0.06,
        max_leaf_nodes: int = 12,
        min_samples_leaf: int = 10,
        l2_regularization: float = 5.0,
        max_features: float = 0.3,
        n_folds: int = 8,
        random_state: int | None = 0,
    ) -> None:
        self.age = age
        self.categorical = categorical
        self.place = place
        self.alike = alike
        self.n_boosted = n_boosted
        self.n_trees = n_trees
        self.max_iter = max_iter
        self.learning_rate = learning_rate
        self.max_leaf_nodes = max_leaf_nodes
        self.min_samples_leaf = min_samples_leaf
        self.l2_regularization = l2_regularization
        self.max_features = max_features
        self.n_folds = n_folds
        self.random_state = random_state

    def fit(
        self,
        X: ArrayLike,
        y: ArrayLike,
        groups: ArrayLike | None = None,
        sample_weight: ArrayLike | None = None,
    ) -> Self:
        """Fit members, weights and calibration.

        Parameters
        ----------
        X : array or data frame, shape (n, p)
            One row per look. Ages must be there; other numbers may be NaN, categories may be missing.
        y : array, shape (n,)
            Two classes, sorted: sound, failed (0 and 1, or False and True).
        groups : array, shape (n,), optional
            What is new together; default each row by itself.
        sample_weight : array, shape (n,), optional
            Weights, 0 or more.

        Raises
        ------
        ModelInputError
            An age is missing, all outcomes are alike, or an outcome, a weight or a number of a row will not do.
        ValueError
            Shapes that do not match, or values that are no numbers.
        """
        _refuse_odd(y, "Input y contains NaN", np.isnan)
        if sample_weight is not None:
            _refuse_odd(sample_weight, "Input sample_weight contains NaN", np.isnan)
            _refuse_odd(sample_weight, "Negative values in data passed to `sample_weight`", lambda w: w < 0)
        table = self._fit_table(X, y)
        failed = self._failed(y)
        weight = _check_sample_weight(sample_weight, table, ensure_non_negative=True)
        group = _numbered(groups, len(table))
        kept = weight > 0
        table, failed, weight, group = table[kept], failed[kept], weight[kept], group[kept]
        if failed.min() == failed.max():
            raise ModelInputError("all outcomes are of one class; there is nothing to tell apart.")
        self.intercept_, self.member_weights_, self.out_of_fold_ = self._weigh(table, failed, weight, group)
        self.members_ = self._fit_members(table, failed, weight, group)
        self.n_iter_ = self.max_iter
        return self

    def predict_proba(self, X: ArrayLike) -> FloatArray:
        """Chance of each class, shape (n, 2)."""
        check_is_fitted(self)
        table = self._encoded(self._validated(X, reset=False))
        odds = np.column_stack([member.log_odds(table) for member in self.members_])
        chance = expit(self.intercept_ + odds @ self.member_weights_)
        return np.column_stack((1.0 - chance, chance))

    def predict(self, X: ArrayLike) -> np.ndarray:
        """Return the likelier class of each row."""
        likelier = (self.predict_proba(X)[:, 1] >= 0.5).astype(int)
        classes: np.ndarray = self.classes_[likelier]
        return classes

    def __sklearn_tags__(self) -> Tags:
        """Two classes; NaN is allowed."""
        tags = super().__sklearn_tags__()
        tags.classifier_tags.multi_class = False
        tags.input_tags.allow_nan = True
        return tags

    def _validated(self, X: ArrayLike, y: ArrayLike | None = None, *, reset: bool) -> np.ndarray:
        # With text among the columns, numbers are checked column by column in `_encoded`.
        dtype = None if self.categorical else "numeric"
        _refuse_odd(X, "Input X contains infinity", np.isinf)
        rest: dict[str, Any] = {"dtype": dtype, "ensure_all_finite": "allow-nan", "reset": reset}
        if y is None:
            return np.asarray(validate_data(self, X, **rest))
        return np.asarray(validate_data(self, X, y, ensure_min_samples=2, **rest)[0])

    def _fit_table(self, X: ArrayLike, y: ArrayLike) -> FloatArray:
        raw = self._validated(X, y, reset=True)
        categories = self._positions(self.categorical)
        place = self._positions(self.place or ())
        self.layout_ = Layout(self._positions((self.age,))[0], categories, place, self._positions(self.alike))
        if len(place) not in {0, 2}:
            raise ModelInputError(f"place names {len(place)} columns; it needs two.")
        self.encoder_ = None
        if categories:
            self.encoder_ = OrdinalEncoder(
                handle_unknown="use_encoded_value",
                unknown_value=np.nan,
                encoded_missing_value=np.nan,
                max_categories=MOST_CATEGORIES,
            ).fit(raw[:, categories])
        table = self._encoded(raw)
        self.member_names_ = tuple(member.name for member in self._members())
        return table

    def _positions(self, columns: Sequence[int | str]) -> list[int]:
        names = list(getattr(self, "feature_names_in_", ()))
        found = []
        for column in columns:
            if isinstance(column, str) and column not in names:
                raise ModelInputError(f"there is no column '{column}'.")
            position = names.index(column) if isinstance(column, str) else int(column)
            if not 0 <= position < self.n_features_in_:
                raise ModelInputError(f"there is no column {position}; X has {self.n_features_in_}.")
            found.append(position)
        return found

    def _encoded(self, raw: np.ndarray) -> FloatArray:
        categories = self.layout_.categorical
        numbers = [i for i in range(raw.shape[1]) if i not in categories]
        table = np.empty(raw.shape)
        table[:, numbers] = raw[:, numbers].astype(np.float64)
        if self.encoder_ is not None:
            table[:, categories] = self.encoder_.transform(raw[:, categories])
        _refuse_odd(table, "a value is too large", lambda values: np.abs(values) > LARGEST)
        missing = np.isnan(table[:, self.layout_.age])
        if missing.any():
            raise ModelInputError("the age is missing (NaN).", row=int(np.argmax(missing)))
        return table

    def _failed(self, y: ArrayLike) -> FloatArray:
        kind = type_of_target(y, input_name="y", raise_unknown=True)
        self.classes_, failed = np.unique(np.asarray(y).ravel(), return_inverse=True)
        if kind not in {"binary", "multiclass"}:
            raise ValueError(f"Unknown label type: {kind}; outcomes are sound or failed.")
        if len(self.classes_) > 2:
            msg = f"Only binary classification is supported. The type of the target is {kind}."
            raise ModelInputError(msg)
        if len(self.classes_) < 2:
            raise ModelInputError("all outcomes are of one class; there is nothing to tell apart.")
        return failed.astype(np.float64)

    def _members(self) -> list[Member]:
        seed = 0 if self.random_state is None else self.random_state
        trees = {
            "max_iter": self.max_iter,
            "learning_rate": self.learning_rate,
            "max_leaf_nodes": self.max_leaf_nodes,
            "min_samples_leaf": self.min_samples_leaf,
            "l2_regularization": self.l2_regularization,
            "max_features": self.max_features,
        }
        members: list[Member] = [Life(self.layout_), Boosted(self.layout_, self.n_boosted, trees, seed)]
        if self.n_trees:
            members.append(Forest(self.layout_, self.n_trees, seed))
        return members

    def _fit_members(
        self, table: FloatArray, failed: FloatArray, weight: FloatArray, group: IntArray
    ) -> list[Member]:
        return [member.fit(table, failed, weight, group) for member in self._members()]

    def _weigh(
        self, table: FloatArray, failed: FloatArray, weight: FloatArray, group: IntArray
    ) -> tuple[float, FloatArray, FloatArray]:
        """Weights of the members by their log odds for groups left out."""
        n_members = len(self.member_names_)
        odds = np.zeros((len(table), n_members))
        n_groups = len(np.unique(group))
        if n_groups < 2:
            return 0.0, np.full(n_members, 1.0 / n_members), np.full(len(table), np.nan)
        seed = 0 if self.random_state is None else self.random_state
        for rest, out in grouped_folds(group, min(self.n_folds, n_groups), seed):
            members = self._fit_members(table[rest], failed[rest], weight[rest], group[rest])
            odds[out] = np.column_stack([member.log_odds(table[out]) for member in members])
        intercept, shares = stacking_weights(odds, failed, weight, len(table) / n_groups)
        return intercept, shares, expit(intercept + odds @ shares)


def _refuse_odd(given: ArrayLike, problem: str, is_odd: Callable[[np.ndarray], np.ndarray]) -> None:
    """Name the first row that will not do; what holds no numbers is for scikit-learn's own checks."""
    values = np.asarray(given)
    if values.dtype.kind not in "fiu" or values.ndim == 0:
        return
    odd = is_odd(values).reshape(len(values), -1).any(axis=1)
    if odd.any():
        raise ModelInputError(f"{problem}.", row=int(np.argmax(odd)))


def _numbered(groups: ArrayLike | None, n: int) -> IntArray:
    if groups is None:
        return np.arange(n)
    given = np.asarray(groups)
    if given.shape != (n,):
        raise ModelInputError(f"groups must have {n} entries.")
    return np.unique(given, return_inverse=True)[1].astype(np.int64)


def grouped_folds(group: IntArray, n_folds: int, seed: int) -> Iterator[tuple[IntArray, IntArray]]:
    """Rows to fit on and rows left out, whole groups at a time."""
    folds = GroupKFold(n_folds, shuffle=True, random_state=seed)
    yield from folds.split(group, groups=group)


def stacking_weights(
    odds: FloatArray, failed: FloatArray, weight: FloatArray, group_size: float
) -> tuple[float, FloatArray]:
    """Intercept and weights, none negative, of a logistic regression on members' log odds.

    Parameters
    ----------
    odds : ndarray, shape (n, m)
        Log odds of members that had not seen the row's group.
    failed, weight : ndarray, shape (n,)
    group_size : float
        Records per group. The records of a group say little more than one would, so that the pull to equal
        weights and no intercept grows with it.

    Returns
    -------
    tuple of float and ndarray, shape (m,)
    """
    m = odds.shape[1]
    pull = EQUAL_SHARES * group_size
    target = np.concatenate(([0.0], np.full(m, 1.0 / m)))

    def loss(at: FloatArray) -> tuple[float, FloatArray]:
        total = at[0] + odds @ at[1:]
        apart = at - target
        residual = weight * (expit(total) - failed)
        value = weight @ (np.logaddexp(0.0, total) - failed * total) + pull * apart @ apart
        return float(value), np.concatenate(([residual.sum()], odds.T @ residual)) + 2.0 * pull * apart

    bounds = [(None, None), *[(0.0, None)] * m]
    found = minimize(loss, target, jac=True, method="L-BFGS-B", bounds=bounds).x
    return float(found[0]), found[1:]
