"""Scores of foretold looks, against scikit-learn, closed forms and hand-made cases."""

import numpy as np
import pytest
from scipy.stats import norm
from sklearn.metrics import brier_score_loss, log_loss, roc_auc_score

from models.backtest import (
    age_curve,
    base_rate,
    clustered_error,
    dealt_folds,
    lead_of,
    score_looks,
    share_ranges,
)
from models.errors import ModelInputError


@pytest.fixture
def looks():
    rng = np.random.default_rng(5)
    chance = rng.uniform(0.02, 0.98, 900)
    bad = (rng.uniform(size=900) < chance).astype(int)
    return chance, bad, np.repeat(np.arange(30), 30)


def test_scores_are_those_of_scikit_learn(looks):
    chance, bad, group = looks
    scored = score_looks(chance, bad, group)
    assert scored.log_score == pytest.approx(log_loss(bad, chance), rel=1e-12)
    assert scored.brier == pytest.approx(brier_score_loss(bad, chance), rel=1e-12)
    assert scored.auc == pytest.approx(roc_auc_score(bad, chance), rel=1e-12)
    assert (scored.n, scored.n_bad, scored.n_groups) == (900, int(bad.sum()), 30)


def test_error_of_a_mean_of_equal_groups_is_that_of_the_group_means():
    """With equal groups, the ratio estimator is the ordinary standard error of the group means."""
    rng = np.random.default_rng(1)
    means = rng.normal(size=12)
    values = np.repeat(means, 5)
    assert clustered_error(values, np.repeat(np.arange(12), 5)) == pytest.approx(
        means.std(ddof=1) / np.sqrt(12)
    )
    assert np.isnan(clustered_error(values, np.zeros(60)))


def test_lead_is_clear_only_beyond_its_error(looks):
    chance, bad, group = looks
    assert lead_of(chance, np.full(900, 0.5), bad, group).is_clear
    assert lead_of(chance, np.full(900, 0.5), bad, group).by > 0
    rng = np.random.default_rng(2)
    near = np.clip(chance + rng.normal(0, 0.005, 900), 0.01, 0.99)
    assert not lead_of(chance, near, bad, group).is_clear


def test_one_kind_of_outcome_has_no_auc_and_no_slope():
    scored = score_looks([0.2, 0.4, 0.3], [0, 0, 0], [1, 2, 3])
    assert np.isnan(scored.auc)
    assert np.isnan(scored.calibration_slope)
    assert scored.log_score > 0


def test_age_curve_pools_adjacent_violators():
    """Ages 1 to 4, failed 0 1 0 1: the middle two pool to one half; the ends are held off 0 and 1."""
    np.testing.assert_allclose(
        age_curve([1, 2, 3, 4], [0, 1, 0, 1], [0, 2, 3, 9]), [0.1, 0.5, 0.5, 0.9], atol=1e-12
    )


def test_base_rate_is_never_certain():
    np.testing.assert_allclose(base_rate([0, 0, 0], 2), [0.125, 0.125])


def test_folds_keep_groups_whole_and_like_in_size():
    group = np.repeat(np.arange(9), [50, 40, 30, 30, 20, 10, 10, 5, 5])
    seen = np.zeros(200, dtype=int)
    for rest, out in dealt_folds(group, 3):
        assert not set(group[rest]) & set(group[out])
        assert 60 <= len(out) <= 75
        seen[out] += 1
    assert (seen == 1).all()
    with pytest.raises(ModelInputError, match="2 groups"):
        list(dealt_folds([1, 2], 3))


def test_share_ranges_invert_the_score_test():
    """Wilson's bounds p solve (share - p)² = z² p (1 - p) / n."""
    low, high = share_ranges(np.array([40]), np.array([0.3]))
    for p in (low[0], high[0]):
        assert (0.3 - p) ** 2 == pytest.approx(norm.ppf(0.975) ** 2 * p * (1 - p) / 40)
