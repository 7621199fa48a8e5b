"""Renewals counted in simulations against renewal theory."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from models.renewal_kernels import _key, uniform
from tests.budget_stock import make, policy

N = 60_000


def renewals(**more) -> np.ndarray:
    """Mean number of renewals by the end of each year, of pipe that is new today and renewed by its own kind."""
    simulation, planned = make(pipes_of_lots=(1,), failed=(0.0,), n_draws=N, **more)
    future = simulation.run(policy(simulation, planned))
    return np.cumsum(future.n_emergencies.mean(axis=0))


def test_exponential_lives_are_renewed_like_a_poisson_process() -> None:
    # M(t) = t / mean (D. R. Cox, "Renewal Theory", 1962, chapter 4; from memory).
    law = (np.log(5.0), 1.0)
    found = renewals(laws=(law, law), delay=0.0, years=20)
    t = np.arange(1, 21)
    np.testing.assert_array_less(np.abs(found - t / 5), 4 * np.sqrt(t / 5 / N))


def test_erlang_lives_have_the_textbook_renewal_function() -> None:
    # Two exponential stages of rate λ: M(t) = λt/2 - (1 - exp(-2λt))/4 (Cox 1962, section 4.5, gamma with two stages;
    # from memory, and it follows from the Laplace transform λ²/(s²(s + 2λ))). The first stage is our time to needing
    # repair, the second the delay to trouble.
    mean = 4.0
    law = (np.log(mean), 1.0)
    found = renewals(laws=(law, law), delay=mean, years=30)
    t = np.arange(1, 31)
    rate = 1 / mean
    expected = rate * t / 2 - (1 - np.exp(-2 * rate * t)) / 4
    np.testing.assert_array_less(np.abs(found - expected), 4 * np.sqrt((expected + 0.1) / N))


@pytest.mark.parametrize(
    ("family", "shape", "of_scipy"),
    [
        ("weibull", 1.5, stats.weibull_min(1.5, scale=8.0)),
        ("weibull", 3.0, stats.weibull_min(3.0, scale=8.0)),
        # The log-logistic is scipy's fisk: odds (t / scale)^shape.
        ("log-logistic", 3.0, stats.fisk(3.0, scale=8.0)),
        ("gompertz", 0.2, stats.gompertz(0.2, scale=8.0)),
    ],
)
def test_lives_of_every_family_follow_the_renewal_equation(family, shape, of_scipy) -> None:
    # M(t) = F(t) + ∫ M(t - x) dF(x), solved here by the midpoint rule of M. Xie, "On the solution of renewal-type
    # integral equations", Communications in Statistics - Simulation 18 (1989) 281-293 (from memory).
    years, step = 24, 0.01
    law = (np.log(8.0), shape)
    found = renewals(laws=(law, law), family=family, delay=0.0, years=years)
    expected = _renewal_function(of_scipy, years, step)
    np.testing.assert_array_less(np.abs(found - expected), 4 * np.sqrt((expected + 0.05) / N) + 2e-3)


@pytest.mark.parametrize(
    ("family", "shape", "of_scipy"),
    [
        ("weibull", 2.0, stats.weibull_min(2.0, scale=8.0)),
        ("log-logistic", 3.0, stats.fisk(3.0, scale=8.0)),
        ("gompertz", 0.2, stats.gompertz(0.2, scale=8.0)),
    ],
)
def test_old_pipe_of_every_family_has_the_residual_life_of_its_law(family, shape, of_scipy) -> None:
    # Sound pipe of age a fails within t years with chance (F(a + t) - F(a)) / (1 - F(a)), whatever the law.
    law, forever = (np.log(8.0), shape), (np.log(1e9), 1.0)
    simulation, planned = make(
        pipes_of_lots=(1,),
        failed=(0.0,),
        n_draws=N,
        laws=(law, forever),
        family=family,
        age=6.0,
        delay=0.0,
        years=20,
    )
    found = np.cumsum(simulation.run(policy(simulation, planned)).n_emergencies.mean(axis=0))
    expected = (of_scipy.cdf(6.0 + np.arange(1, 21)) - of_scipy.cdf(6.0)) / of_scipy.sf(6.0)
    np.testing.assert_array_less(np.abs(found - expected), 4 * np.sqrt(0.25 / N))


@pytest.mark.parametrize(
    ("family", "shape", "of_scipy"),
    [
        ("weibull", 2.5, stats.weibull_min(2.5, scale=12.0)),
        ("log-logistic", 3.0, stats.fisk(3.0, scale=12.0)),
        ("gompertz", 0.3, stats.gompertz(0.3, scale=12.0)),
    ],
)
@pytest.mark.parametrize("age", [0.0, 6.0])
def test_minimal_repairs_come_as_often_as_the_cumulative_hazard_says(family, shape, of_scipy, age) -> None:
    # Mended at one spot, and the rest as old as before: repairs are a Poisson process of intensity h(age), so their mean
    # number in (a, a + t) is H(a + t) - H(a), H = -log S (Barlow & Hunter, Operations Research 8 (1960) 90-100; from memory).
    law, years = (np.log(12.0), shape), 15
    found = renewals(laws=(law, law), family=family, delay=0.0, years=years, spot_share=1.0, age=age)
    expected = of_scipy.logsf(age) - of_scipy.logsf(age + np.arange(1, years + 1))
    np.testing.assert_array_less(np.abs(found - expected), 4 * np.sqrt(expected / N) + 1e-12)


def test_renewals_among_imperfect_repairs_are_those_of_the_law_of_brown_and_proschan() -> None:
    # Perfect repair with chance p, minimal otherwise: perfect ones are a renewal process whose lives survive to t with
    # chance S(t)^p (M. Brown, F. Proschan, "Imperfect repair", Journal of Applied Probability 20 (1983) 851-859; from
    # memory). Of a Weibull that is a Weibull of scale · p^(-1 / shape).
    shape, scale, p, years, step = 2.5, 8.0, 0.4, 24, 0.01
    law = (np.log(scale), shape)
    simulation, planned = make(
        pipes_of_lots=(1,),
        failed=(0.0,),
        n_draws=N,
        laws=(law, law),
        delay=0.0,
        years=years,
        spot_share=1.0 - p,
    )
    future = simulation.run(policy(simulation, planned))
    found = np.cumsum((future.n_emergencies - future.n_spots).mean(axis=0))
    between = stats.weibull_min(shape, scale=scale * p ** (-1.0 / shape))
    expected = _renewal_function(between, years, step)
    np.testing.assert_array_less(np.abs(found - expected), 4 * np.sqrt((expected + 0.05) / N) + 2e-3)


def _renewal_function(of_scipy, years: int, step: float) -> np.ndarray:
    """Mean number of renewals by the end of each year, by the method of Xie."""
    grid = np.arange(0, years + step / 2, step)
    M = np.zeros(len(grid))
    at_middle = of_scipy.cdf(grid[1:] - step / 2)
    f = of_scipy.cdf(grid)
    for i in range(1, len(grid)):
        M[i] = _xie(f, at_middle, M, i)
    return M[np.round(np.arange(1, years + 1) / step).astype(int)]


def _xie(f: np.ndarray, at_middle: np.ndarray, M: np.ndarray, i: int) -> float:
    """M_i = [F_i + Σ_(j<i) F(t_i - t_(j-1/2)) (M_j - M_(j-1)) - F(h/2) M_(i-1)] / (1 - F(h/2))."""
    gaps = at_middle[1:i][::-1]
    return float((f[i] + gaps @ np.diff(M[:i]) - at_middle[0] * M[i - 1]) / (1 - at_middle[0]))


def test_chance_events_are_uniform_and_unrelated() -> None:
    keys = [
        _key(np.uint64(11), lot, pipe, draw) for lot in range(40) for pipe in range(3) for draw in range(100)
    ]
    drawn = np.array([[uniform(np.uint64(key), event) for event in (0, 2, 3)] for key in keys])
    for column in drawn.T:
        # Kolmogorov-Smirnov: fails by chance once in ten thousand.
        assert stats.kstest(column, "uniform").pvalue > 1e-4
    related = np.corrcoef(np.hstack((drawn[:-1], drawn[1:])).T) - np.eye(6)
    # Columns 3 to 5 are the same numbers one draw later.
    assert np.abs(related).max() < 5 / np.sqrt(len(drawn))
