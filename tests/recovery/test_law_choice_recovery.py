"""What choosing the law of life by held-out looks is worth, on looks at pipe of known law."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from models.law_choice import FAVOURED, choose_law
from models.laws import LAWS, REFERENCE_AGE
from models.lives import LifeLooks, LifeRegression, Ridge, single_candidates

pytestmark = pytest.mark.slow

LEVEL, K = -0.7, np.exp(0.9)
#: The law in scipy's parameters, worked out from S(40) by hand.
TRUTH = {
    "weibull": stats.weibull_min(K, scale=REFERENCE_AGE * np.exp(-LEVEL / K)),
    "log-logistic": stats.fisk(K, scale=REFERENCE_AGE * np.exp(-LEVEL / K)),
    "gompertz": stats.gompertz(np.exp(LEVEL) / np.expm1(K), scale=REFERENCE_AGE / K),
}
AGES = np.array([10.0, 30.0, 60.0, 90.0, 120.0])
PRIORS = (
    Ridge(terms=("hazard: all",), mean=-1.5, sd=2.0),
    Ridge(terms=("shape: all",), mean=0.7, sd=0.5),
)
N_TOWNS, N_AREAS = 30, 40


def fitted(law, age, failed):
    n = len(age)
    life, row, probability = single_candidates(np.zeros(n, dtype=int))
    looks = LifeLooks(
        candidate_life=life,
        candidate_row=row,
        candidate_probability=probability,
        install_min=np.zeros(n),
        install_max=np.zeros(n),
        look_life=np.arange(n),
        look_year=age,
        look_bad=failed,
    )
    return LifeRegression(ridges=PRIORS, law=law).fit(
        [[1.0]], [[1.0]], looks, X_names=["all"], Z_names=["all"]
    )


def chance(fit, age):
    return fit.failure_probability(age, [[1.0]], [[1.0]])


def town(truth, n, rng):
    """Chosen law, and curve less truth under the favoured, the chosen and the true law."""
    age = np.round(rng.uniform(5, 110, n))
    failed = TRUTH[truth].rvs(n, random_state=rng) <= age
    area = rng.integers(0, N_AREAS, n)
    foretold, evidence = {law: np.empty(n) for law in LAWS}, dict.fromkeys(LAWS, 0.0)
    for out in (area < N_AREAS / 2, area >= N_AREAS / 2):
        for law in LAWS:
            fit = fitted(law, age[~out], failed[~out])
            foretold[law][out] = chance(fit, age[out])
            evidence[law] += fit.log_marginal
    chosen = choose_law(foretold, evidence, failed, area).law
    off = {law: chance(fitted(law, age, failed), AGES) - TRUTH[truth].cdf(AGES) for law in LAWS}
    return chosen, off[FAVOURED], off[chosen], off[truth]


@pytest.mark.parametrize("n", [400, 4000])
@pytest.mark.parametrize("truth", LAWS)
def test_choosing_costs_little_where_the_weibull_holds_and_gains_where_it_does_not(truth, n):
    rng = np.random.default_rng([7, n])
    found = [town(truth, n, rng) for _ in range(N_TOWNS)]
    share = np.mean([chosen == truth for chosen, *_ in found])
    favoured, chosen, known = (np.sqrt(np.mean(np.square([row[i] for row in found]))) for i in (1, 2, 3))
    print(f"{truth}, {n}: {share:.0%} true law; off {favoured:.4f} / {chosen:.4f} / {known:.4f}")  # noqa: T201
    if truth == FAVOURED:
        assert share >= 0.85
        assert chosen < 1.25 * favoured
    else:
        assert chosen <= favoured
        if n == 4000:
            # More than half of the way from always the Weibull to knowing the law.
            assert favoured - chosen > 0.5 * (favoured - known)
