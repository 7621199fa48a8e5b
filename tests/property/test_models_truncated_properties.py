"""Curves of records with entry ages: the maximum is proved by a likelihood written out again, in masses."""

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from models.npmle import NPMLE


@st.composite
def late_records(draw):
    """Up to 30 records of every kind, some of them watched only from a later age on."""
    n = draw(st.integers(1, 30))
    age = st.integers(0, 25)
    ages = np.array(draw(st.lists(st.tuples(age, age, age), min_size=n, max_size=n)), dtype=float)
    entry, left, right = np.sort(ages, axis=1).T
    right = right + 1.0
    kind = np.array(draw(st.lists(st.integers(0, 4), min_size=n, max_size=n)))
    right = np.where(kind == 1, np.inf, right)
    left = np.where(kind == 2, right, left)
    left = np.where(kind == 3, entry, left)
    weight = np.array(draw(st.lists(st.integers(1, 4), min_size=n, max_size=n)), dtype=float)
    return left, right, weight, entry


class Masses:
    """The likelihood of masses on every elementary piece of the age axis: points and what lies between."""

    def __init__(self, left, right, weight, entry):
        ages = np.unique(np.concatenate(([0.0], left, right[np.isfinite(right)], entry)))
        middle = np.append((ages[:-1] + ages[1:]) / 2, ages[-1] + 1.0)
        self.at = np.sort(np.concatenate((ages, middle)))
        # Sound at entry and never seen again: nothing is said, and 0 / 0 is not to spoil the rest.
        told = (left > entry) | np.isfinite(right)
        left, right, weight, entry = left[told], right[told], weight[told], entry[told]
        exact = left == right
        covers = (self.at > left[:, None]) & (self.at <= right[:, None])
        self.covers = np.where(exact[:, None], self.at == left[:, None], covers)
        self.seen = (self.at > entry[:, None]) | (entry[:, None] == 0)
        self.weight = weight

    def put(self, curve):
        """The masses of a curve, each on a piece inside its interval."""
        mass = np.zeros(len(self.at))
        for (a, b), m in zip(curve.intervals_, curve.mass_, strict=True):
            inside = (self.at > a) & (self.at <= b) if a < b else self.at == a
            # The latest will do for those who entered within the interval.
            mass[np.flatnonzero(inside)[-1] if inside.any() else -1] += m
        return mass

    def log_likelihood(self, mass):
        return float(self.weight @ (np.log(self.covers @ mass) - np.log(self.seen @ mass)))

    def slope(self, mass):
        """Derivative of the log-likelihood by more mass on each piece."""
        gain = (self.weight / (self.covers @ mass)) @ self.covers
        return gain - (self.weight / (self.seen @ mass)) @ self.seen

    def improved(self, steps):
        """Turnbull's own steps from equal masses: below the maximum, rising."""
        mass = np.full(len(self.at), 1 / len(self.at))
        for _ in range(steps):
            found = (self.weight / (self.covers @ mass)) @ self.covers
            unseen = (self.weight / (self.seen @ mass)) @ ~self.seen
            mass = mass * (found + unseen)
            mass /= mass.sum()
        return mass


#: One record, sound at entry and never seen again.
SAYS_NOTHING = tuple(np.array([value]) for value in (0.0, np.inf, 1.0, 0.0))


@given(late_records())
@example(SAYS_NOTHING)
@settings(deadline=None, max_examples=150)
def test_no_other_masses_are_more_likely(data):
    left, right, weight, entry = data
    curve = NPMLE().fit(left, right, weight, entry)
    assert curve.kkt_gap_ < 1e-6
    masses = Masses(left, right, weight, entry)
    if not len(masses.weight):
        # Any masses are as likely as any others: the chance of what was seen is 1.
        assert curve.log_likelihood_ == 0.0
        return
    assert curve.log_likelihood_ >= masses.log_likelihood(masses.improved(300)) - 1e-7
    if curve.status_ in {"risk_set_emptied", "gap"}:
        assert curve.reason_
        return
    mass = masses.put(curve)
    assert masses.log_likelihood(mass) == pytest.approx(curve.log_likelihood_, abs=1e-6)
    assert masses.slope(mass).max() < 1e-5 * weight.sum()


@given(late_records())
@settings(deadline=None, max_examples=100)
def test_curve_with_entry_is_a_distribution_and_ignores_order(data):
    left, right, weight, entry = data
    curve = NPMLE().fit(left, right, weight, entry)
    ages = np.linspace(0, 30, 121)
    lower, upper = curve.cdf(ages)
    assert (np.diff(lower) >= -1e-12).all()
    assert (np.diff(upper) >= -1e-12).all()
    assert (lower <= upper).all()
    assert (lower >= 0).all()
    assert (upper <= 1).all()
    assert (lower[ages <= curve.entry_age_] == 0).all() or curve.entry_age_ == 0
    back = NPMLE().fit(left[::-1], right[::-1], weight[::-1], entry[::-1])
    assert back.log_likelihood_ == pytest.approx(curve.log_likelihood_, abs=1e-6)
    repeated = NPMLE().fit(
        *(np.repeat(x, weight.astype(int)) for x in (left, right)), entry=np.repeat(entry, weight.astype(int))
    )
    assert repeated.log_likelihood_ == pytest.approx(curve.log_likelihood_, abs=1e-6)


@given(late_records())
@settings(deadline=None, max_examples=60)
def test_entry_at_the_first_age_of_all_conditions_the_curve(data):
    """All watched from one age on is no truncation but a start there."""
    left, right, weight, _ = data
    late = NPMLE().fit(left + 10, right + 10, weight, np.full(len(left), 10.0))
    plain = NPMLE().fit(left, right, weight)
    if (right == 0).any() or (left == right).any():
        return
    assert late.log_likelihood_ == pytest.approx(plain.log_likelihood_, abs=1e-6)
    np.testing.assert_allclose(late.cdf(left + 10.0), plain.cdf(left), atol=1e-4)


def test_given_survival_the_chance_is_what_is_left():
    curve = NPMLE().fit([0, 0, 10, 20, 20], [10, 20, np.inf, np.inf, 30])
    lower, upper = curve.cdf([10.0, 20.0, 30.0])
    assert (lower == upper).all()
    later, _ = curve.cdf([20.0, 30.0], given=10.0)
    np.testing.assert_allclose(later, (lower[1:] - lower[0]) / (1 - lower[0]), atol=1e-12)
