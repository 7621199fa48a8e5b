"""The nonparametric curve and its bands against published estimates and other programs.

Sources and tolerances: the .md beside each data file.
"""

import re
import warnings

import numpy as np
import pytest

from models.bands import likelihood_ratio_band
from models.npmle import NPMLE

CASES = [
    ("turbine", "all"),
    ("part_cracking", "all"),
    ("cosmesis", "RT"),
    ("cosmesis", "RCT"),
    ("cosmesis", "ALL"),
    ("mice", "ce"),
    ("mice", "ge"),
    ("mice", "ALL"),
]


@pytest.mark.parametrize(("name", "group"), CASES)
def test_curve_equals_reference_programs(reference_case, name, group):
    case = reference_case(name)
    answer = case.answers["groups"][group]
    left, right, weight = case.rows(group)
    curve = NPMLE().fit(left, right, weight)
    assert curve.status_ == "ok"
    assert curve.n_units_ == answer["n"]
    assert curve.log_likelihood_ == pytest.approx(answer["log_likelihood"], rel=1e-6)
    assert curve.kkt_gap_ < 1e-6
    ages = np.array([float(age) for age in answer["F_at"]])
    expected = np.array(list(answer["F_at"].values()))
    lower, upper = curve.cdf(ages)
    np.testing.assert_allclose(lower, expected, atol=1e-6)
    np.testing.assert_allclose(upper, expected, atol=1e-6)


@pytest.mark.parametrize(("name", "group"), CASES)
def test_support_and_masses_equal_reference_programs(reference_case, name, group):
    case = reference_case(name)
    expected = np.array([[float(x) for x in row] for row in case.answers["groups"][group]["support"]])
    curve = NPMLE().fit(*case.rows(group))
    np.testing.assert_array_equal(curve.intervals_, expected[:, :2])
    np.testing.assert_allclose(curve.mass_, expected[:, 2], atol=1e-6)


@pytest.mark.parametrize("arm", ["RT", "RCT"])
def test_cosmesis_masses_as_published(reference_case, arm):
    # Finkelstein & Wolfe 1985, Biometrics 41:933-945, four decimals, from memory.
    case = reference_case("cosmesis")
    published = re.findall(r"\((\d+),(\d+)\](\.\d+)", case.answers["published"][f"{arm} NPMLE masses"])
    curve = NPMLE().fit(*case.rows(arm))
    # The publication leaves out the mass that lies beyond the last look.
    found = {
        (int(a), int(b)): m for (a, b), m in zip(curve.intervals_, curve.mass_, strict=True) if b < np.inf
    }
    for left, right, mass in published:
        assert found.pop((int(left), int(right))) == pytest.approx(float(mass), abs=5.1e-5)
    assert not found


def test_turbine_curve_as_published(reference_case):
    # Nelson 1982; Meeker & Escobar 1998: failed share by group after pooling, from memory.
    curve = NPMLE().fit(*reference_case("turbine").rows("all"))
    lower, upper = curve.cdf([4, 10, 14, 18, 22, 26, 30, 34, 38, 42, 46])
    published = [0, 0.070, 0.070, 0.096, 0.167, 0.222, 0.222, 0.462, 0.581, 0.581, 0.583]
    np.testing.assert_allclose(lower, published, atol=5.1e-4)
    np.testing.assert_array_equal(lower, upper)


def truncated(reference_case):
    case = reference_case("truncated")
    return tuple(case.column(name) for name in ("left", "right", "entry"))


def turnbull_steps(left, right, entry, steps):
    """Self-consistency in masses (Turnbull 1976, from memory) on every piece between two recorded ages."""
    ages = np.unique(np.concatenate(([0.0], left, right, entry)))
    low, high = ages[:-1], ages[1:]
    covers = (low >= left[:, None]) & (high <= right[:, None])
    seen = low >= entry[:, None]
    mass = np.full(len(low), 1 / len(low))
    for _ in range(steps):
        mass = mass * ((1 / (covers @ mass)) @ covers + (1 / (seen @ mass)) @ ~seen)
        mass /= mass.sum()
    return mass, covers, seen


def test_curve_with_late_entry_is_what_turnbulls_steps_climb_to(reference_case):
    left, right, entry = truncated(reference_case)
    curve = NPMLE().fit(left, right, entry=entry)
    assert curve.status_ == "ok"
    assert curve.kkt_gap_ < 1e-6
    mass, covers, seen = turnbull_steps(left, right, entry, 2000)
    reached = np.log(covers @ mass).sum() - np.log(seen @ mass).sum()
    # The steps rise towards the maximum for ever more slowly; after 2,000 they are .014 short of it.
    assert 0 < curve.log_likelihood_ - reached < 0.02


def test_curve_with_late_entry_satisfies_the_conditions_of_a_maximum_in_masses(reference_case):
    left, right, entry = truncated(reference_case)
    curve = NPMLE().fit(left, right, entry=entry)
    mass = curve.mass_
    low, high = curve.intervals_.T
    covers = (low >= left[:, None]) & (high <= right[:, None])
    seen = low >= entry[:, None]
    chance, alive = covers @ mass, seen @ mass
    assert np.log(chance / alive).sum() == pytest.approx(curve.log_likelihood_, abs=1e-8)
    # A little mass more on any piece of the age axis must not raise the likelihood; on a support interval
    # it must not change it.
    ages = np.unique(np.concatenate(([0.0], left, right, entry)))
    middle = np.append((ages[:-2] + ages[1:-1]) / 2, ages[-2] + 1)
    slope = ((middle > left[:, None]) & (middle <= right[:, None])).T @ (1 / chance)
    slope -= (middle > entry[:, None]).T @ (1 / alive)
    assert slope.max() < 1e-6 * len(left)
    np.testing.assert_allclose(covers.T @ (1 / chance) - seen.T @ (1 / alive), 0, atol=1e-5)


def test_curve_with_late_entry_is_near_a_program_that_stopped_early(reference_case):
    left, right, entry = truncated(reference_case)
    curve = NPMLE().fit(left, right, entry=entry)
    theirs = reference_case("truncated").answers["answers"]["surpyval Turnbull truncated S(20,40,60,80)"]
    lower, upper = curve.cdf([20.0, 40.0, 60.0, 80.0])
    np.testing.assert_array_equal(lower, upper)
    np.testing.assert_allclose(1 - lower, theirs, atol=0.003)
    ignoring, _ = NPMLE().fit(left, right).cdf([40.0])
    assert lower[1] - ignoring[0] > 0.03


def test_known_ages_with_late_entry_give_the_product_limit_of_lifelines():
    # Kaplan & Meier 1958 with entry (Lynden-Bell 1971, from memory), as lifelines 0.30 computes it.
    from lifelines import KaplanMeierFitter

    rng = np.random.default_rng(4)
    age, entry = np.ceil(rng.weibull(3.0, 400) * 60), np.floor(rng.uniform(0, 40, 400))
    stopped = entry + np.ceil(rng.uniform(1, 60, 400))
    kept = age > entry
    age, entry, stopped = age[kept], entry[kept], stopped[kept]
    died = age <= stopped
    last = np.minimum(age, stopped)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        other = KaplanMeierFitter().fit(last, died, entry=entry)
    curve = NPMLE().fit(last, np.where(died, last, np.inf), entry=entry)
    assert curve.status_ == "ok"
    ages = np.unique(last)[:-1]
    lower, _ = curve.cdf(ages)
    np.testing.assert_allclose(1 - lower, other.predict(ages).to_numpy(), atol=1e-6)


@pytest.mark.parametrize(("name", "group"), [("turbine", "all"), ("mice", "ce"), ("mice", "ge")])
def test_likelihood_ratio_intervals_equal_independent_script(reference_case, name, group):
    case = reference_case(name)
    table = np.array(case.answers["groups"][group]["likelihood_ratio_intervals"])
    left, right, weight = case.rows(group)
    failed = right < np.inf
    age = np.where(failed, right, left)
    for critical, columns in ((2.28, [2, 3]), (3.841, [4, 5])):
        band = likelihood_ratio_band(age, weight, weight * failed, table[:, 0], critical_value=critical)
        np.testing.assert_allclose(band.value, table[:, 1], atol=1e-6)
        # The table is printed to five decimals.
        np.testing.assert_allclose(np.stack((band.lower, band.upper), axis=1), table[:, columns], atol=6e-6)


def test_critical_value_by_level_and_number_of_looks():
    # Banerjee & Wellner 2001: .95 quantile 2.28; chi-squared with 1 df where ages act as a grid.
    assert likelihood_ratio_band([30], [1000], [300], [30]).critical_value == 2.28
    assert likelihood_ratio_band([30], [200_000], [300], [30]).critical_value == 3.841
