"""A shift of log odds against the logistic regression it stands for."""

import numpy as np
import pytest
from sklearn.linear_model import LogisticRegression

from models.errors import ModelInputError
from models.log_odds import LARGEST_SHIFT, shift_of_log_odds, shifted_log_odds


def test_shift_is_the_intercept_that_a_regression_finds():
    # scikit-learn has no offsets: within a group of one chance its intercept is that chance's log odds and the shift.
    events = (np.arange(200) % 5 == 0).astype(float)
    fitted = LogisticRegression(C=np.inf, tol=1e-10).fit(np.zeros((200, 1)), events).intercept_[0]
    shift = shift_of_log_odds(np.full(200, 0.4), events)
    assert shift == pytest.approx(fitted - np.log(0.4 / 0.6), abs=1e-5)


def test_as_many_are_expected_as_were_seen():
    rng = np.random.default_rng(1)
    chance = rng.uniform(0.05, 0.9, 300)
    events = rng.random(300) < shifted_log_odds(chance, 1.5)
    shift = shift_of_log_odds(chance, events)
    assert shifted_log_odds(chance, shift).sum() == pytest.approx(events.sum())
    assert shift == pytest.approx(1.5, abs=0.4)
    assert shifted_log_odds([0.0, 1.0], shift).tolist() == [0.0, 1.0]


def test_a_group_all_of_one_kind_has_an_end():
    assert 0 < shift_of_log_odds([0.5] * 4, [1] * 4) < LARGEST_SHIFT
    assert -LARGEST_SHIFT < shift_of_log_odds([0.5] * 4, [0] * 4) < 0
    with pytest.raises(ModelInputError, match="chances between 0 and 1"):
        shift_of_log_odds([0.0, 0.5], [0, 1])
    with pytest.raises(ModelInputError, match="chances between 0 and 1"):
        shift_of_log_odds([], [])
