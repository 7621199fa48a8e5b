"""Tests on records, each against numbers worked by hand or by a published table."""

import numpy as np
import pytest

from models.errors import ModelInputError
from models.records import heaped_ages, oldest_group, recoded_young, unchanged_repeats
from models.validation import brier_score, calibration, chance_at_least, log_score


def test_heaped_ages():
    # Three of four round; chance of 3 or 4 of 4 at 1 in 5: 4 · .2³ · .8 + .2⁴ = .0272. Young and odd ages are out.
    found = heaped_ages([10, 15, 20, 33, 5, 12.5, np.nan])
    assert (found.n, found.n_round, found.share) == (4, 3, 0.75)
    assert found.p_value == pytest.approx(0.0272)
    assert heaped_ages(np.arange(10, 110)).p_value > 0.4
    assert heaped_ages([]).p_value == 1.0


def test_unchanged_repeats():
    # Clopper & Pearson for 10 of 10: lower limit is .025^(1/10).
    found = unchanged_repeats(10, 10)
    assert found.share == 1.0
    assert found.lower == pytest.approx(0.025**0.1)
    assert found.upper == 1.0
    assert unchanged_repeats(0, 0).upper == 1.0
    with pytest.raises(ModelInputError, match="11 unchanged of 10 pairs is impossible"):
        unchanged_repeats(10, 11)


def test_oldest_group_falls():
    # Fisher's table 0 of 3 against 3 of 3: one-sided chance 1 / C(6, 3).
    age, bad = [65, 66, 67, 71, 72, 73], [1, 1, 1, 0, 0, 0]
    found = oldest_group(age, bad)
    assert (found.before_from, found.oldest_from) == (60, 70)
    assert found.p_value == pytest.approx(1 / 20)
    rising = oldest_group(age, [0, 0, 0, 1, 1, 1])
    assert rising.p_value == 1.0
    assert oldest_group([5, 6], [1, 0]).p_value == 1.0


def test_recoded_young():
    age = np.r_[np.full(500, 9.0), np.full(200, 10.0)]
    bad = np.r_[np.zeros(500), np.arange(200) % 2]
    found = recoded_young(age, bad)
    assert (found.age, found.n_below, found.n_at, found.n_failed_at) == (10, 500, 200, 100)
    # Lower limit of 100 in 200 is .4287 (Clopper & Pearson); times .9^5.
    assert found.expected_below == pytest.approx(500 * 0.42868 * 0.9**5, rel=1e-3)
    assert found.p_value < 1e-10
    # An honest steep wear-out curve is not accused.
    rng = np.random.default_rng(1)
    ages = rng.uniform(0, 80, 3000)
    assert recoded_young(ages, rng.random(3000) < 1 - np.exp(-((ages / 60) ** 4))).p_value > 0.05
    assert recoded_young([5, 6], [0, 0]).p_value == 1.0


def test_scores_by_hand():
    assert log_score([0.5, 0.8], [0, 1]) == pytest.approx(-(np.log(0.5) + np.log(0.8)) / 2)
    assert brier_score([0.5, 0.8], [0, 1]) == pytest.approx((0.25 + 0.04) / 2)
    assert np.isfinite(log_score([0.0], [1]))
    with pytest.raises(ModelInputError, match="row 1: a chance lies outside 0 to 1"):
        log_score([0.5, 1.2], [0, 1])


def test_calibration_slope_of_honest_and_of_timid_chances():
    rng = np.random.default_rng(3)
    p = rng.uniform(0.02, 0.98, 40_000)
    bad = rng.random(len(p)) < p
    honest = calibration(p, bad)
    assert honest.slope == pytest.approx(1.0, abs=0.04)
    assert honest.n.sum() == len(p)
    np.testing.assert_allclose(honest.predicted, honest.observed, atol=0.03)
    # Logits halved: the slope that mends them is 2.
    timid = 1 / (1 + ((1 - p) / p) ** 0.5)
    assert calibration(timid, bad).slope == pytest.approx(2.0, abs=0.08)
    assert np.isnan(calibration(p, np.zeros(len(p))).slope)


def test_slope_equals_scikit_learn():
    from sklearn.linear_model import LogisticRegression

    rng = np.random.default_rng(4)
    p = rng.uniform(0.1, 0.9, 500)
    bad = rng.random(500) < p**1.5
    logit = np.log(p / (1 - p))[:, None]
    other = LogisticRegression(C=np.inf, tol=1e-10, max_iter=1000).fit(logit, bad)
    mine = calibration(p, bad)
    assert mine.slope == pytest.approx(other.coef_[0, 0], rel=1e-4)
    assert mine.intercept == pytest.approx(other.intercept_[0], rel=1e-3)


def test_chance_at_least_by_hand():
    assert chance_at_least(2, [0.5, 0.5, 0.5]) == pytest.approx(0.5)
    assert chance_at_least(0, [0.3]) == 1.0
    assert chance_at_least(1, [0.2, 0.5]) == pytest.approx(1 - 0.8 * 0.5)
    # Two draws: the mean of the chances, not the chance at the mean.
    assert chance_at_least(2, [[1.0, 1.0], [0.0, 0.0]]) == pytest.approx(0.5)
