"""Bands where lives have several looks, and bands of records that tell little."""

import numpy as np
import pytest
from scipy.optimize import minimize

from models.bands import likelihood_ratio_band
from models.errors import ModelInputError
from models.held import held_log_likelihood
from models.interval_bands import first_look_band, interval_band
from models.npmle import NPMLE
from models.smoothed import smooth_curve
from models.turnbull import maximise_likelihood

INF = np.inf


def rng():
    return np.random.default_rng(1)


def test_first_look_of_each_life_counts_whatever_the_order():
    life, age, failed = [7, 7, 3, 3, 9, 9], [40, 30, 20, 25, 50, 50], [1, 0, 1, 1, 0, 1]
    band = first_look_band(life, age, failed, [25.0, 60.0])
    plain = likelihood_ratio_band([30, 20, 50], [1, 1, 1], [0, 1, 0], [25.0, 60.0])
    for name in ("value", "lower", "upper"):
        np.testing.assert_array_equal(getattr(band, name), getattr(plain, name))
    shuffled = [4, 1, 0, 2, 3, 5]
    again = first_look_band(*(np.array(x)[shuffled] for x in (life, age, failed)), [25.0, 60.0])
    np.testing.assert_array_equal(again.upper, band.upper)


@pytest.mark.parametrize("critical", [2.28, 3.841])
def test_one_look_each_gives_the_band_of_one_look_each(critical):
    generator = np.random.default_rng(2)
    age = np.round(generator.uniform(0, 100, 400))
    failed = 60 * generator.weibull(3.0, 400) <= age
    at = np.arange(5.0, 105.0, 5.0)
    band = interval_band(
        np.where(failed, 0, age), np.where(failed, age, INF), at, rng=rng(), critical_value=critical
    )
    plain = likelihood_ratio_band(age, np.ones(400), failed, at, critical_value=critical)
    np.testing.assert_allclose(band.lower, plain.lower, atol=2e-3)
    np.testing.assert_allclose(band.upper, plain.upper, atol=2e-3)


def test_limits_are_where_a_general_optimiser_finds_them():
    # Nine lives, ages 1 to 4, five levels; F held just after age 2.
    left = np.array([0, 0, 1, 1, 2, 2, 3, 4, 4.0])
    right = np.array([1, 2, 3, 4, 4, INF, 4, INF, INF])
    band = interval_band(left, right, [2.0], rng=rng(), critical_value=2.28)

    def best(theta=None):
        """Greatest log-likelihood over masses in (0,1], (1,2], (2,t], (t,3], (3,4], (4,inf)."""
        low, high = np.array([0, 1, 2, 2.5, 3, 4]), np.array([1, 2, 2.5, 3, 4, INF])
        covers = (low >= left[:, None]) & (high <= right[:, None])
        limits = [{"type": "eq", "fun": lambda p: p.sum() - 1}]
        if theta is not None:
            limits.append({"type": "eq", "fun": lambda p: p[:3].sum() - theta})
        found = minimize(
            lambda p: -np.log(np.maximum(covers @ p, 1e-12)).sum(),
            np.full(6, 1 / 6),
            bounds=[(0, 1)] * 6,
            constraints=limits,
            options={"ftol": 1e-12, "maxiter": 500},
        )
        return -found.fun

    top = best()
    for limit in (band.lower[0], band.upper[0]):
        assert 2 * (top - best(limit)) == pytest.approx(2.28, abs=0.01)


@pytest.mark.parametrize(("place", "theta"), [(1, 1e-4), (2, 0.5), (4, 0.2), (6, 0.97), (8, 0.6)])
def test_a_held_curve_is_as_likely_as_a_general_optimiser_makes_it(place, theta):
    generator = np.random.default_rng(place)
    m = 9
    a = generator.integers(0, m, 80)
    b = generator.integers(a + 1, m + 1)
    w = generator.integers(1, 5, 80).astype(float)
    free = np.concatenate(([0.0], np.cumsum(maximise_likelihood(a, b - 1, w, m, 1e-9, 2000))))
    # Shares of what lies on either side of the level held, which comes after `place`.
    below, above = place + 1, m - place
    scale = np.repeat([theta, 1 - theta], [below, above])
    low, high = np.arange(m + 1), np.arange(1, m + 2)
    covers = (low >= (a + (a > place))[:, None]) & (high <= (b + (b > place))[:, None])
    found = minimize(
        lambda share: -w @ np.log(np.maximum(covers @ (scale * share), 1e-12)),
        np.repeat([1 / below, 1 / above], [below, above]),
        jac=lambda share: -scale * (covers.T @ (w / np.maximum(covers @ (scale * share), 1e-12))),
        bounds=[(0, 1)] * (m + 1),
        constraints=[
            {"type": "eq", "fun": lambda share: share[:below].sum() - 1},
            {"type": "eq", "fun": lambda share: share[below:].sum() - 1},
        ],
        options={"ftol": 1e-10, "maxiter": 500},
    )
    assert found.success
    held = held_log_likelihood(a, b, w, np.minimum(free, 1.0), place, theta)
    assert held == pytest.approx(-found.fun, abs=1e-4)


def test_known_ages_are_refused_by_name():
    with pytest.raises(ModelInputError, match=r"^row 1: left equals right"):
        interval_band([0, 5], [9, 5], [5.0], rng=rng())


@pytest.mark.parametrize(
    ("left", "right", "weight", "text"),
    [
        ([0, np.nan], [5, 5], None, "row 1: left is not a number."),
        ([0, 9], [5, 5], None, "row 1: right (5) is less than left (9)."),
        ([0, 1], [5, 5], [1, -2], "row 1: weight is -2; it cannot be negative."),
    ],
)
def test_impossible_intervals_are_named(left, right, weight, text):
    with pytest.raises(ModelInputError) as caught:
        interval_band(left, right, [5.0], rng=rng(), weight=weight)
    assert str(caught.value) == text


@pytest.mark.parametrize(
    ("age", "looked", "failed", "text"),
    [
        ([5, np.nan], [1, 1], [0, 0], "row 1: age is not a number of 0 or more."),
        ([5, -1], [1, 1], [0, 0], "row 1: age is not a number of 0 or more."),
        ([5, INF], [1, 1], [0, 0], "row 1: age is not a number of 0 or more."),
        ([5, 6], [1, -1], [0, 0], "row 1: n_looks is not a number of 0 or more."),
        ([5, 6], [1, np.nan], [0, 0], "row 1: n_looks is not a number of 0 or more."),
        ([5, 6], [1, 1], [0, 2], "row 1: n_failed is not between 0 and n_looks."),
        ([5, 6], [1, 1], [0, np.nan], "row 1: n_failed is not between 0 and n_looks."),
        ([5, 6], [1], [0, 0], "age has 2, n_looks 1 and n_failed 2 entries."),
    ],
)
def test_impossible_counts_are_named(age, looked, failed, text):
    with pytest.raises(ModelInputError) as caught:
        likelihood_ratio_band(age, looked, failed, [5.0])
    assert str(caught.value) == text


@pytest.mark.parametrize(
    "ask",
    [
        lambda at: likelihood_ratio_band([5], [2], [1], at),
        lambda at: first_look_band([1], [5], [True], at),
        lambda at: interval_band([0], [5], at, rng=rng()),
        lambda at: NPMLE().fit([0], [5]).cdf(at),
        lambda at: smooth_curve(NPMLE().fit([0], [5]), at),
    ],
)
def test_an_age_asked_for_must_be_a_number(ask):
    with pytest.raises(ModelInputError, match=r"^row 1: the age asked for is not a number"):
        ask([5.0, np.nan])


def test_impossible_looks_and_levels_are_named():
    with pytest.raises(ModelInputError, match=r"^row 1: age is not a number of 0 or more"):
        first_look_band([1, 2], [5, np.nan], [0, 1], [5.0])
    with pytest.raises(ModelInputError, match=r"^life has 1, age 2 and is_failed 2 entries"):
        first_look_band([1], [5, 6], [0, 1], [5.0])
    for band in (
        lambda: first_look_band([1], [5], [0], [5.0], 0.5),
        lambda: interval_band([0], [5], [5.0], rng=rng(), level=0.5),
    ):
        with pytest.raises(ModelInputError, match=r"^level is 0.5; choose one of 0.8, 0.9, 0.95"):
            band()


BANDS = [
    lambda age, failed, at: likelihood_ratio_band(age, np.ones(len(age)), failed, at),
    lambda age, failed, at: first_look_band(np.arange(len(age)), age, failed, at),
    lambda age, failed, at: interval_band(
        np.where(failed, 0, age), np.where(failed, age, INF), at, rng=rng(), draws=20
    ),
]


@pytest.mark.parametrize("band", BANDS)
@pytest.mark.parametrize(
    ("age", "failed"),
    [
        ([], []),
        ([40], [True]),
        ([40], [False]),
        ([10, 20, 30], [False] * 3),
        ([10, 20, 30], [True] * 3),
        ([40] * 8, [True] * 3 + [False] * 5),
        ([0, 0, 40, 50], [False, False, True, False]),
    ],
)
def test_records_that_tell_little_give_wide_bands(band, age, failed):
    age, failed, at = np.array(age, dtype=float), np.array(failed, dtype=bool), np.array([0.0, 5, 25, 40, 90])
    found = band(age, failed, at)
    assert found.critical_value == 2.28
    assert np.isfinite(found.lower).all()
    assert np.isfinite(found.upper).all()
    assert ((found.lower >= 0) & (found.lower <= found.upper) & (found.upper <= 1)).all()
    known = np.isfinite(found.value)
    assert (found.lower[known] <= found.value[known] + 1e-4).all()
    assert (found.value[known] <= found.upper[known] + 1e-4).all()
    assert (found.upper - found.lower > 0.2).all()
    assert found.upper[-1] == 1.0


@pytest.mark.parametrize("weight", [[0.0, 0.0], None])
def test_intervals_of_no_weight_or_without_a_statement(weight):
    left, right = ([5, 0], [9, 7]) if weight else ([0, 0], [INF, INF])
    found = interval_band(left, right, [3.0, 8.0], rng=rng(), weight=weight)
    np.testing.assert_array_equal(found.lower, 0.0)
    np.testing.assert_array_equal(found.upper, 1.0)
    assert np.isnan(found.value).all()


def test_curve_lies_in_its_band_and_weights_are_repeats():
    left = np.array([0, 0, 5, 10, 20, 10, 30, 0])
    right = np.array([10, 20, 20, 30, INF, INF, INF, 5])
    weight = np.array([2, 3, 1, 2, 4, 1, 2, 1])
    at = np.array([5.0, 10.0, 20.0, 30.0])
    found = interval_band(left, right, at, rng=rng(), weight=weight)
    lower, upper = NPMLE().fit(left, right, weight).cdf(at)
    assert (found.lower <= lower).all()
    assert (upper <= found.upper).all()
    again = interval_band(np.repeat(left, weight), np.repeat(right, weight), at, rng=rng())
    np.testing.assert_array_equal(found.upper, again.upper)
