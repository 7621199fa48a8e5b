"""Counts of trials with unequal chances against scipy's own distributions and hand-worked cases."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from models import counts
from models.counts import count_pmf, count_range, count_ranges, mixed_count_pmf
from models.errors import ModelInputError


def test_three_trials_by_hand() -> None:
    """Chances 1/2, 1/4, 1/10: none 0.5 x 0.75 x 0.9, all 0.5 x 0.25 x 0.1, and one or two by listing the cases."""
    none, every = 0.3375, 0.0125
    one = 0.5 * 0.75 * 0.9 + 0.5 * 0.25 * 0.9 + 0.5 * 0.75 * 0.1
    np.testing.assert_allclose(
        count_pmf([0.5, 0.25, 0.1]), [none, one, 1 - none - one - every, every], rtol=1e-14
    )


@pytest.mark.parametrize("n", [1, 7, 256, 257, 1_000, 5_003])
@pytest.mark.parametrize("p", [0.0, 0.001, 0.3, 0.98, 1.0])
def test_equal_chances_are_the_binomial(n: int, p: float) -> None:
    pmf = count_pmf(np.full(n, p))
    np.testing.assert_allclose(pmf, stats.binom.pmf(np.arange(n + 1), n, p), atol=1e-13)
    assert pmf.sum() == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize(
    ("n", "a", "b"), [(5, 1.0, 1.0), (300, 0.3, 2.0), (900, 0.05, 4.0), (2_000, 8.0, 0.4)]
)
def test_unequal_chances_are_the_poisson_binomial(n: int, a: float, b: float) -> None:
    p = np.random.default_rng(n).beta(a, b, n)
    np.testing.assert_allclose(count_pmf(p), stats.poisson_binom.pmf(np.arange(n + 1), p), atol=1e-12)


@pytest.mark.parametrize("p", [0.011, 0.3, 0.985])
def test_counts_of_very_large_groups_are_off_by_less_than_a_part_in_a_thousand(p: float) -> None:
    n = counts.LARGEST_EXACT + 1
    below = np.cumsum(count_pmf(np.full(n, p)))
    assert np.abs(below - stats.binom.cdf(np.arange(n + 1), n, p)).max() < 1e-3
    # too rare for the normal curve: exact again
    rare = count_pmf(np.full(n, 1e-4))
    np.testing.assert_allclose(rare, stats.binom.pmf(np.arange(n + 1), n, 1e-4), atol=1e-12)


def test_groups_are_worked_side_by_side_and_a_chance_of_nought_is_no_trial() -> None:
    groups = count_pmf([[0.2, 0.7, 0.0], [0.5, 0.5, 0.5]])
    np.testing.assert_allclose(groups[0], [*count_pmf([0.2, 0.7]), 0.0])
    np.testing.assert_allclose(groups[1], stats.binom.pmf(np.arange(4), 3, 0.5))


@pytest.mark.parametrize("p", [[0.5, 1.2], [-0.1, 0.5], [np.nan, 0.5]])
def test_what_is_no_chance_is_refused(p: list[float]) -> None:
    with pytest.raises(ModelInputError, match="outside 0 to 1"):
        count_pmf(p)


def test_what_is_uncertain_for_all_stays_uncertain_for_their_sum(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two draws, all of 40 lots at 0.1 or all at 0.9: two heaps, not one about 20."""
    drawn = np.repeat([[0.1], [0.9]], 40, axis=1)
    k = np.arange(41)
    by_hand = (stats.binom.pmf(k, 40, 0.1) + stats.binom.pmf(k, 40, 0.9)) / 2
    np.testing.assert_allclose(mixed_count_pmf(drawn), by_hand, atol=1e-14)
    assert by_hand[20] < 1e-6
    # worked in pieces it is the same
    monkeypatch.setattr("models.counts.LARGEST_TABLE", 41)
    np.testing.assert_allclose(mixed_count_pmf(drawn), by_hand, atol=1e-14)


@pytest.mark.parametrize("level", [0.5, 0.9, 0.95])
def test_a_range_leaves_out_no_more_than_its_tails(level: float) -> None:
    rng = np.random.default_rng(4)
    for n in (1, 3, 30, 400):
        p = rng.uniform(0, 1, n)
        lower, upper = (int(bound) for bound in count_range(count_pmf(p), level))
        up_to = np.append(np.cumsum(stats.poisson_binom.pmf(np.arange(n + 1), p)), 0.0)  # the last: up to -1
        tail = (1 - level) / 2
        assert up_to[lower - 1] <= tail + 1e-9
        assert 1 - up_to[upper] <= tail + 1e-9
        # and is not wider than that needs
        assert up_to[lower] > tail - 1e-9
        assert 1 - up_to[upper - 1] > tail - 1e-9


def test_the_range_of_a_hundred_even_chances() -> None:
    """Binomial(100, 1/2): P(X <= 41) = 0.0443 and P(X <= 42) = 0.0666, so 90 % is 42 to 58 (published tables)."""
    assert [int(bound) for bound in count_range(stats.binom.pmf(np.arange(101), 100, 0.5), 0.9)] == [42, 58]


def test_ranges_of_many_groups_of_unlike_size() -> None:
    rng = np.random.default_rng(9)
    sizes = [0, 1, 2, 3, 5, 8, 40, 300, 700]
    group = np.repeat(np.arange(len(sizes)), sizes)
    order = rng.permutation(len(group))
    p = rng.beta(0.5, 1.5, len(group))
    lower, upper = count_ranges(p[order], group[order], len(sizes), 0.9)
    for number, size in enumerate(sizes):
        if size == 0:
            assert (lower[number], upper[number]) == (0, 0)
            continue
        below = np.cumsum(stats.poisson_binom.pmf(np.arange(size + 1), p[group == number]))
        assert (lower[number], upper[number]) == tuple(np.searchsorted(below, [0.05, 0.95]))
