"""Small curves with entry ages, by hand, and what such records cannot tell."""

import numpy as np
import pytest

from models.errors import ModelInputError
from models.npmle import NPMLE

INF = np.inf


def test_by_hand():
    # Two watched from 0 on: one fails by 10, one is sound at 20. A third enters at 10 and is sound at 20. A
    # fourth enters at 15 and fails by 20: of three watched there, one fails. F(20) = 1/2 + 1/2 · 1/3.
    curve = NPMLE().fit([0, 20, 20, 15], [10, INF, INF, 20], entry=[0, 0, 10, 15])
    assert curve.status_ == "ok"
    lower, upper = curve.cdf([9.0, 10.0, 15.0, 20.0, 21.0])
    np.testing.assert_allclose(lower, [0, 1 / 2, 1 / 2, 2 / 3, 2 / 3], atol=1e-8)
    np.testing.assert_allclose(upper, [1 / 2, 1 / 2, 1 / 2, 2 / 3, 1], atol=1e-8)
    # And of those sound at 10, one in three by 20; nothing is known of those sound at 20.
    np.testing.assert_allclose(curve.cdf([10.0, 20.0], given=10.0), [[0, 1 / 3]] * 2, atol=1e-8)
    np.testing.assert_allclose(curve.cdf(25.0, given=20.0), [0, 1])


def test_mass_goes_where_few_were_watched():
    # (0, 30] fails; one enters at 10 and is sound at 40. Failing in (0, 10] contradicts no one: Turnbull's own
    # support has only (0, 30] up to 40, Frydman's also an end at the entry.
    curve = NPMLE().fit([0, 40, 5], [30, INF, INF], entry=[0, 10, 0])
    np.testing.assert_allclose(curve.cdf([5.0, 10.0, 20.0])[0], [0, 1.0, 1.0], atol=1e-8)
    assert curve.log_likelihood_ == pytest.approx(0.0, abs=1e-9)
    assert curve.status_ == "risk_set_emptied"


def test_all_who_were_watched_failed_and_others_came_later():
    curve = NPMLE().fit([5, 30, 30, 20], [8, INF, INF, 30], entry=[5, 20, 20, 20])
    assert curve.status_ == "risk_set_emptied"
    assert curve.reason_ == (
        "All 1 watched between ages 5 and 8 failed there, and the curve ends at 1, although others were first "
        "seen later, still sound; ask for the chance given age 8."
    )
    np.testing.assert_array_equal(curve.cdf([5.0, 8.0, 30.0])[0], [0, 1, 1])
    # What the later ones tell is not lost.
    np.testing.assert_allclose(curve.cdf([20.0, 30.0], given=20.0), [[0, 1 / 3]] * 2, atol=1e-8)
    with pytest.raises(ModelInputError, match=r"^given is 3; no one was watched before age 5"):
        curve.cdf(9.0, given=3.0)


def test_ages_at_which_no_one_was_watched():
    curve = NPMLE().fit([5, 10, 30, 20], [8, INF, INF, 30], entry=[5, 5, 20, 20])
    assert curve.status_ == "gap"
    assert curve.reason_ == (
        "No record tells how many failed between ages 10 and 20: from there on the curve is not determined."
    )
    lower, upper = curve.cdf([8.0, 10.0, 15.0, 20.0, 30.0])
    np.testing.assert_allclose(lower, [0.5, 0.5, 0.5, 0.5, 0.75], atol=1e-8)
    np.testing.assert_allclose(upper, [0.5, 0.5, 1, 1, 1], atol=1e-8)
    np.testing.assert_allclose(curve.cdf(30.0, given=20.0), [0.5, 0.5], atol=1e-8)


@pytest.mark.parametrize(
    ("left", "right", "weight", "entry", "status"),
    [
        ([10, 20], [INF, INF], [1, 1], [5, 5], "no_failures"),
        ([10, 8], [INF, INF], [1, 2], [10, 5], "no_failures"),
        ([5, 7], [9, 12], [1, 1], [5, 7], "all_failed"),
        ([5], [9], [1], [5], "all_failed"),
        ([0, 1], [1, 2], [1, 1], [0, 1], "risk_set_emptied"),
        ([2, 2], [2, INF], [1, 1], [0, 2], "risk_set_emptied"),
        ([5], [9], [0], [5], "no_records"),
        ([5, 7], [9, INF], [0, 0], [5, 2], "no_records"),
        ([9, 9, 9], [INF, INF, 9], [1, 1, 1], [3, 3, 3], "ok"),
        ([3, 3, 9, 9], [9, 9, INF, INF], [1, 1, 1, 1], [3, 3, 3, 3], "ok"),
        ([0, 0, 2], [0, 3, INF], [1, 1, 1], [0, 0, 1], "gap"),
    ],
)
def test_records_that_tell_little(left, right, weight, entry, status):
    curve = NPMLE().fit(left, right, weight, entry)
    assert curve.status_ == status
    assert bool(curve.reason_) == (status != "ok")
    assert curve.kkt_gap_ < 1e-6
    assert np.isfinite(curve.log_likelihood_)
    lower, upper = curve.cdf(np.linspace(0, 15, 31))
    assert ((lower >= 0) & (lower <= upper) & (upper <= 1)).all()
    if status == "no_failures":
        np.testing.assert_array_equal(curve.cdf([8.0, 30.0]), [[0, 0], [0, 1]])
    elif status == "no_records":
        np.testing.assert_array_equal(curve.cdf([9.0]), [[0], [1]])


def test_a_failure_at_age_0_counts_for_those_watched_from_0():
    curve = NPMLE().fit([0, 0, 2, 4], [0, 3, INF, INF], entry=[0, 0, 1, 0])
    # Three watched at 0, of whom one fails there: those who entered at 1 tell nothing of it.
    assert curve.cdf(0.0)[0] == pytest.approx(1 / 3, abs=1e-8)
