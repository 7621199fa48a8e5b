"""The smoothed curve: near the truth, never beyond what the steps determine."""

import numpy as np
import pytest

from models.errors import ModelInputError
from models.npmle import NPMLE
from models.smoothed import smooth_curve

INF = np.inf


def weibull_looks(rng, n, shape=3.0):
    age = np.round(rng.uniform(0, 100, n))
    failed = 60 * rng.weibull(shape, n) <= age
    return np.where(failed, 0.0, age), np.where(failed, age, INF)


@pytest.mark.parametrize("shape", [3.0, 6.0])
def test_nearer_the_truth_than_the_steps(shape):
    rng = np.random.default_rng(1)
    ages = np.arange(10.0, 90.0)
    truth = 1 - np.exp(-((ages / 60) ** shape))
    steps, smooth = [], []
    for _ in range(20):
        curve = NPMLE().fit(*weibull_looks(rng, 1000, shape))
        lower, upper = curve.cdf(ages)
        steps.append((lower + upper) / 2 - truth)
        found = smooth_curve(curve, ages)
        assert (np.diff(found.value) >= -1e-12).all()
        smooth.append(found.value - truth)
    # Groeneboom, Jongbloed & Witte 2010: error of order n^(-2/5) against n^(-1/3).
    assert np.nanstd(smooth) < 0.7 * np.std(steps)
    assert np.abs(np.nanmean(smooth, axis=0)).max() < 0.05


def test_mean_of_the_kernel_by_quadrature():
    # One known age 50 and one 70: F is the kernel's integral around each, half and half.
    curve = NPMLE().fit([50, 70], [50, 70])
    found = smooth_curve(curve, [46.0, 50.0, 53.0, 60.0, 70.0, 90.0], bandwidth=5.0)
    u = np.linspace(-1, 1, 200_001)
    kernel = 35 / 32 * (1 - u**2) ** 3
    below = [kernel[u <= x].sum() * (u[1] - u[0]) for x in (-0.8, 0.0, 0.6)]
    np.testing.assert_allclose(found.value, [*(0.5 * np.array(below)), 0.5, 0.75, 1.0], atol=1e-4)
    assert found.bandwidth == 5.0


def test_drawn_only_where_the_steps_are_determined():
    left = np.repeat([0, 0, 20, 40, 60], [2, 5, 10, 10, 1])
    right = np.repeat([20, 40, INF, INF, INF], [2, 5, 10, 10, 1])
    curve = NPMLE().fit(left, right)
    found = smooth_curve(curve, [-1.0, 0.0, 10.0, 20.0, 60.0, 60.1, 200.0])
    assert (found.first_age, found.last_age) == (0.0, 60.0)
    np.testing.assert_array_equal(np.isnan(found.value), [True, False, False, False, False, True, True])
    # It meets the steps at both ends.
    assert found.value[1] == 0.0
    assert found.value[4] == pytest.approx(curve.cdf(60.0)[0], abs=1e-12)
    # With a bandwidth narrower than the years between two looks, nothing is drawn between them.
    narrow = smooth_curve(curve, [0.0, 10.0, 20.0, 30.0, 50.0], bandwidth=10.0)
    np.testing.assert_array_equal(np.isnan(narrow.value), [False, True, False, True, False])


def test_bandwidth_is_stated_and_shrinks_with_the_records():
    rng = np.random.default_rng(2)
    small, large = (smooth_curve(NPMLE().fit(*weibull_looks(rng, n)), [50.0]) for n in (200, 6400))
    assert small.bandwidth / large.bandwidth == pytest.approx(2.0, rel=0.15)
    for wrong in (0.0, -1.0, np.nan, INF):
        with pytest.raises(ModelInputError, match=r"^bandwidth is "):
            smooth_curve(NPMLE().fit([0], [9]), [5.0], bandwidth=wrong)


@pytest.mark.parametrize(
    ("left", "right", "entry", "expected"),
    [
        ([], [], None, [np.nan] * 4),
        ([10, 40], [INF, INF], None, [0, 0, 0, np.nan]),
        ([0, 0], [10, 40], None, [0, 1, 1, 1]),
        ([0, 40], [40, INF], None, [0, np.nan, 0.5, np.nan]),
        ([20, 40, 20, 40], [40, INF, 40, INF], [20] * 4, [np.nan, np.nan, 0.5, np.nan]),
        ([0, 5, 9], [0, 9, 9], None, [1 / 3, 1, 1, 1]),
    ],
)
def test_records_that_tell_little(left, right, entry, expected):
    curve = NPMLE().fit(left, right, entry=entry)
    found = smooth_curve(curve, [0.0, 19.9, 40.0, 80.0], bandwidth=3.0)
    np.testing.assert_allclose(found.value, expected, atol=1e-12)
