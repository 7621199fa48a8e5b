"""What `models.flexible.StatusModel` is made of: models of current status, each never falling with age."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Protocol, Self

import numpy as np
from scipy.special import expit
from sklearn.ensemble import HistGradientBoostingClassifier, RandomForestClassifier
from sklearn.model_selection import GroupKFold
from threadpoolctl import threadpool_limits

from models.intervals import FloatArray, IntArray
from models.regression import IntervalRegression
from models.surroundings import Surroundings, usual_distance

#: Chances are held this far from 0 and 1: no member may be surer than a thousand records would make it.
EDGE = 1e-3
#: Ages below count as this [years]: a life regression works on log age.
LEAST_AGE_YEARS = 0.5
#: Groups of groups that are left out in turn when a record's surroundings are made.
SURROUNDING_FOLDS = 10
#: A category of fewer records has no term of its own in the life regression.
LEAST_OF_CATEGORY = 10
MIN_LEAF_OF_FOREST = 4
#: Up to this many records, threads of the boosted trees wait for each other longer than they work.
ONE_THREAD_RECORDS = 50_000


def logit(chance: FloatArray) -> FloatArray:
    """Log odds of chances held off 0 and 1."""
    held = np.clip(chance, EDGE, 1.0 - EDGE)
    odds: FloatArray = np.log(held) - np.log1p(-held)
    return odds


def _telling(table: FloatArray) -> IntArray:
    """Columns with at least two values: one that is always the same, or never on record, splits nothing.

    scikit-learn's trees refuse a column that is never on record.
    """
    low, high = np.nanmin(table, axis=0, initial=np.inf), np.nanmax(table, axis=0, initial=-np.inf)
    return np.flatnonzero(low < high)


@dataclass(frozen=True)
class Layout:
    """Which column holds what, by position.

    Attributes
    ----------
    age : int
    categorical, place : list of int
    alike : list of int
        Columns that neighbours must share to be of one kind, besides the categories.
    """

    age: int
    categorical: list[int]
    place: list[int]
    alike: list[int] = field(default_factory=list)

    def numbers(self, n: int) -> list[int]:
        """Columns of n that hold neither age, categories nor place."""
        return [i for i in range(n) if i != self.age and i not in self.categorical and i not in self.place]


class Member(Protocol):
    """One model among those that are put together."""

    name: str

    def fit(self, table: FloatArray, failed: FloatArray, weight: FloatArray, group: IntArray) -> Self:
        """Fit to records; a record's group is never used to predict it."""

    def log_odds(self, table: FloatArray) -> FloatArray:
        """Log odds of failed, shape (n,)."""


@dataclass
class Constant:
    """The share of failed, half a record of each kind added."""

    odds: float

    @classmethod
    def of(cls, failed: FloatArray, weight: FloatArray) -> Constant:
        """Make it from records."""
        share = (weight @ failed + 0.5) / (weight.sum() + 1.0)
        return cls(float(np.log(share / (1.0 - share))))


def _few_threads(n: int) -> threadpool_limits:
    return threadpool_limits(1 if n <= ONE_THREAD_RECORDS else None, user_api="openmp")


def _one_kind(failed: FloatArray) -> bool:
    return bool(failed.min() == failed.max())


@dataclass
class Life:
    """Life regression on looks as intervals: log-logistic, terms drawn together by an amount the data choose.

    Failed at age a is (0, a], sound (a, ∞): the log-logistic family makes this a logistic regression on log
    age whose slope cannot be negative.
    """

    layout: Layout
    name: str = "life regression"
    _regression: IntervalRegression | None = field(default=None, repr=False)
    _constant: Constant | None = field(default=None, repr=False)

    def fit(self, table: FloatArray, failed: FloatArray, weight: FloatArray, group: IntArray) -> Self:
        """Fit; where that fails, the share of failed stands in."""
        self._constant = Constant.of(failed, weight)
        numbers = table[:, self.layout.numbers(table.shape[1])]
        with np.errstate(invalid="ignore"):
            self._mean = np.nan_to_num(_mean(numbers))
            self._spread = np.nan_to_num(_mean(np.abs(numbers - self._mean)))
        self._kinds = [_common(table[:, column]) for column in self.layout.categorical]
        self._regression = None
        X = self._design(table)
        age = self._age(table)
        left, right = np.where(failed == 1, 0.0, age), np.where(failed == 1, age, np.inf)
        regression = IntervalRegression("log-logistic", penalty=1.0)
        regression.fit(X, left, right, weight)
        if regression.status_ == "ok":
            self._regression = regression
        return self

    def log_odds(self, table: FloatArray) -> FloatArray:
        """Log odds of failed."""
        assert self._constant is not None
        if self._regression is None:
            return np.full(len(table), self._constant.odds)
        return logit(self._regression.failure_probability(self._age(table), self._design(table)))

    def _age(self, table: FloatArray) -> FloatArray:
        return np.maximum(table[:, self.layout.age], LEAST_AGE_YEARS)

    def _design(self, table: FloatArray) -> FloatArray:
        numbers = table[:, self.layout.numbers(table.shape[1])]
        known = np.where(np.isnan(numbers), self._mean, numbers)
        # Lengths and areas are skewed: far-off values count by their logarithm.
        apart = (known - self._mean) / np.where(self._spread > 0, self._spread, 1.0)
        columns = [np.sign(apart) * np.log1p(np.abs(apart))]
        for column, kinds in zip(self.layout.categorical, self._kinds, strict=True):
            columns.append((table[:, [column]] == kinds).astype(float))
        return np.hstack(columns)


def _mean(numbers: FloatArray) -> FloatArray:
    n = (~np.isnan(numbers)).sum(axis=0)
    total: FloatArray = np.nansum(numbers, axis=0) / np.maximum(n, 1)
    return total


def _common(codes: FloatArray) -> FloatArray:
    kinds, n = np.unique(codes[~np.isnan(codes)], return_counts=True)
    return kinds[n >= LEAST_OF_CATEGORY]


@dataclass
class Boosted:
    """Boosted trees, averaged over seeds, that with a place also see the excess among neighbours."""

    layout: Layout
    n_repeats: int
    trees: dict[str, Any]
    seed: int
    name: str = "boosted trees"

    def fit(self, table: FloatArray, failed: FloatArray, weight: FloatArray, group: IntArray) -> Self:
        """Fit; neighbours of a record are those of other groups."""
        self._constant = Constant.of(failed, weight)
        self._models: list[HistGradientBoostingClassifier] = []
        self._around: Surroundings | None = None
        if _one_kind(failed) or len(_telling(table)) == 0:
            return self
        own = np.empty((len(table), 0))
        if self.layout.place and len(table) > SURROUNDING_FOLDS:
            own = self._surround(table, failed, weight, group)
        seen = np.hstack((table, own))
        rises = np.zeros(seen.shape[1], dtype=int)
        rises[self.layout.age] = 1
        rises[table.shape[1] :] = 1
        self._told = _telling(seen)
        categories = [i for i, column in enumerate(self._told) if column in self.layout.categorical]
        for repeat in range(self.n_repeats):
            model = HistGradientBoostingClassifier(
                monotonic_cst=rises[self._told],
                categorical_features=categories or None,
                early_stopping=False,
                random_state=self.seed + repeat,
                **self.trees,
            )
            with _few_threads(len(table)):
                self._models.append(model.fit(seen[:, self._told], failed, sample_weight=weight))
        return self

    def log_odds(self, table: FloatArray) -> FloatArray:
        """Log odds of failed."""
        if not self._models:
            return np.full(len(table), self._constant.odds)
        seen = table
        if self._around is not None:
            seen = np.hstack((table, self._around.features(*self._where(table))))
        with _few_threads(len(table)):
            chances = [model.predict_proba(seen[:, self._told])[:, 1] for model in self._models]
            return logit(np.mean(chances, axis=0))

    def _where(self, table: FloatArray) -> tuple[FloatArray, FloatArray]:
        place = np.nan_to_num(table[:, self.layout.place])
        return place, table[:, self.layout.categorical + self.layout.alike]

    def _surround(
        self, table: FloatArray, failed: FloatArray, weight: FloatArray, group: IntArray
    ) -> FloatArray:
        expected = expit(Life(self.layout).fit(table, failed, weight, group).log_odds(table))
        place, alike = self._where(table)
        self._around = Surroundings(
            place,
            alike,
            weight * (failed - expected),
            weight * expected * (1 - expected),
            usual_distance(place),
        )
        own = np.zeros((len(table), self._around.n_features))
        n_groups = len(np.unique(group))
        if n_groups < 2:
            return own
        folds = GroupKFold(min(SURROUNDING_FOLDS, n_groups), shuffle=True, random_state=self.seed)
        for rest, out in folds.split(table, groups=group):
            own[out] = self._around.only(rest).features(place[out], alike[out])
        return own


@dataclass
class Forest:
    """Random forest, held monotone: smoother than boosted trees."""

    layout: Layout
    n_trees: int
    seed: int
    name: str = "random forest"

    def fit(self, table: FloatArray, failed: FloatArray, weight: FloatArray, group: IntArray) -> Self:
        """Fit."""
        self._constant = Constant.of(failed, weight)
        self._model: RandomForestClassifier | None = None
        if _one_kind(failed):
            return self
        self._fill = np.nan_to_num(_mean(table))
        rises = np.zeros(table.shape[1], dtype=int)
        rises[self.layout.age] = 1
        self._model = RandomForestClassifier(
            self.n_trees,
            min_samples_leaf=MIN_LEAF_OF_FOREST,
            monotonic_cst=rises,
            random_state=self.seed,
        ).fit(self._filled(table), failed, sample_weight=weight)
        return self

    def log_odds(self, table: FloatArray) -> FloatArray:
        """Log odds of failed."""
        if self._model is None:
            return np.full(len(table), self._constant.odds)
        return logit(self._model.predict_proba(self._filled(table))[:, 1])

    def _filled(self, table: FloatArray) -> FloatArray:
        return np.where(np.isnan(table), self._fill, table)
