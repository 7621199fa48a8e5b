"""Money over the years against numpy-financial and handbook factors."""

from __future__ import annotations

import numpy as np
import numpy_financial as npf
import pytest
from scipy import stats

from models.errors import ModelInputError
from models.money import (
    Spread,
    balances,
    discount_factors,
    fair_contribution,
    growth_factors,
    least_contribution,
    least_opening,
    pert_quantile,
    present_value,
)

RNG = np.random.default_rng(7)

# Compound interest tables at 5 % as in the appendix of engineering-economy handbooks (such as D. G. Newnan,
# T. G. Eschenbach, J. P. Lavelle, "Engineering Economic Analysis"; four figures after the point, from memory).
HANDBOOK = {"P/A, 5 %, 20": 12.4622, "P/F, 5 %, 10": 0.6139, "A/F, 5 %, 10": 0.0795, "A/P, 5 %, 20": 0.0802}


def test_present_value_is_that_of_numpy_financial() -> None:
    amounts = RNG.uniform(0, 1e5, (3, 30))
    for rate in (0.0, 0.03, 0.11):
        # npf.npv takes its first amount as of now.
        expected = [npf.npv(rate, [0.0, *row]) for row in amounts]
        np.testing.assert_allclose(present_value(amounts, rate), expected, rtol=1e-12)


def test_handbook_factors() -> None:
    assert present_value(np.ones(20), 0.05) == pytest.approx(HANDBOOK["P/A, 5 %, 20"], abs=5e-5)
    assert discount_factors(10, 0.05)[-1] == pytest.approx(HANDBOOK["P/F, 5 %, 10"], abs=5e-5)
    # A debt of 1 now, paid off in 20 equal parts, is a reserve that must have 1 now and pays in A/P a year.
    only_last = np.zeros(10)
    only_last[-1] = 1.0
    assert least_contribution(only_last, opening=0, interest=0.05) == pytest.approx(
        HANDBOOK["A/F, 5 %, 10"], abs=5e-5
    )
    assert 1 / present_value(np.ones(20), 0.05) == pytest.approx(HANDBOOK["A/P, 5 %, 20"], abs=5e-5)


def test_growing_costs_have_the_worth_of_a_geometric_gradient() -> None:
    # (P/A, g, i, n) = [1 - (1 + g)^n (1 + i)^-n] / (i - g), times (1 + g) since year 1 has grown once.
    g, i, n = 0.03, 0.05, 20
    gradient = (1 - (1 + g) ** n * (1 + i) ** -n) / (i - g)
    assert present_value(growth_factors(n, g), i) == pytest.approx((1 + g) * gradient, rel=1e-12)
    # At i = g the formula is n / (1 + i).
    assert present_value(growth_factors(n, i), i) == pytest.approx(n, rel=1e-12)


def test_prices_are_carried_from_their_base_year() -> None:
    np.testing.assert_allclose(growth_factors(2, 0.1, lead_years=1), [1.21, 1.331])


def test_level_contributions_are_those_of_numpy_financial() -> None:
    # An ordinary annuity that pays for one cost at the end: npf.pmt with a future value.
    costs = np.zeros(12)
    costs[-1] = 50_000.0
    assert least_contribution(costs, opening=0, interest=0.04) == pytest.approx(npf.pmt(0.04, 12, 0, -50_000))
    # With a balance now.
    assert least_contribution(costs, opening=9_000, interest=0.04) == pytest.approx(
        npf.pmt(0.04, 12, 9_000, -50_000)
    )


def test_the_least_contribution_just_suffices() -> None:
    costs = RNG.gamma(0.3, 20_000, (200, 25))
    needed = least_contribution(costs, opening=5_000, interest=0.03, growth=0.02)
    for row, contribution in zip(costs, needed, strict=True):
        left = balances(row, opening=5_000, contribution=contribution, interest=0.03, growth=0.02)
        assert left.min() >= -1e-6
        if contribution > 0:
            assert left.min() == pytest.approx(0, abs=1e-6)
            less = balances(row, opening=5_000, contribution=contribution * 0.999, interest=0.03, growth=0.02)
            assert less.min() < 0


def test_the_least_opening_just_suffices_and_a_fair_contribution_breaks_even() -> None:
    costs = RNG.gamma(0.3, 20_000, (4_000, 15))
    fair = fair_contribution(costs, interest=0.03, growth=0.02)
    at_end = balances(costs, opening=0, contribution=fair, interest=0.03, growth=0.02)[:, -1]
    assert at_end.mean() == pytest.approx(0, abs=1e-4)
    opening = least_opening(costs, contribution=fair, interest=0.03, growth=0.02)
    for row, least in zip(costs[:100], opening[:100], strict=True):
        left = balances(row, opening=least, contribution=fair, interest=0.03, growth=0.02)
        assert left.min() >= -1e-6
    share = np.quantile(opening, 0.9)
    left = balances(costs, opening=share, contribution=fair, interest=0.03, growth=0.02)
    assert (left.min(axis=1) < -1e-6).mean() == pytest.approx(0.1, abs=0.002)


def test_a_balance_by_hand() -> None:
    # 1,000 at 10 %: 1,100 + 200 - 300 = 1,000; then 1,100 + 200 - 1,500 = -200.
    left = balances([300.0, 1_500.0], opening=1_000, contribution=200, interest=0.1)
    np.testing.assert_allclose(left, [1_000, -200])


def test_pert_is_the_scaled_beta_with_mean_of_sixths() -> None:
    # Malcolm et al. 1959: mean (a + 4 m + b) / 6; the beta shapes are 1 + 4 (m - a) / (b - a) and its mirror.
    share = (np.arange(200_000) + 0.5) / 200_000
    drawn = pert_quantile(80, 140, 250, share)
    assert drawn.mean() == pytest.approx((80 + 4 * 140 + 250) / 6, rel=1e-5)
    beta = stats.beta(1 + 4 * 60 / 170, 1 + 4 * 110 / 170, loc=80, scale=170)
    np.testing.assert_allclose(drawn[::5_000], beta.ppf(share[::5_000]), rtol=1e-9)
    assert Spread(80, 140, 250).mean == pytest.approx(drawn.mean(), rel=1e-5)


def test_a_range_without_width_is_its_value() -> None:
    np.testing.assert_array_equal(pert_quantile(5, 5, 5, [0.0, 0.3, 1.0]), [5, 5, 5])
    assert (np.diff(pert_quantile(1, 1, 2, np.linspace(0, 1, 50))) >= 0).all()


@pytest.mark.parametrize("values", [(-1, 2, 3), (3, 2, 4), (1, 5, 4), (1, 2, float("nan"))])
def test_no_range_is_refused(values) -> None:
    with pytest.raises(ModelInputError):
        Spread(*values)


def test_no_year_and_no_rate_are_refused() -> None:
    with pytest.raises(ModelInputError, match="no year in it"):
        growth_factors(0, 0.03)
    with pytest.raises(ModelInputError, match="not above -1"):
        discount_factors(5, -1.0)
