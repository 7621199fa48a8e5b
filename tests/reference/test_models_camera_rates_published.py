"""Camera rates learnt from repeat looks, against closed forms and against a published table of two imperfect tests."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import fsolve
from scipy.stats import beta

from models.camera_rates import RateBelief, RatesPosterior, Trial, fit_with_rates
from models.fitted_lives import FittedLives
from models.lives import Detection, LifeLooks, LifeRegression, Ridge, single_candidates
from models.looks import BoolArray, FloatArray, IntArray
from models.repeat_looks import FailedByLooks, RepeatLooks

#: Nothing fails with age here: e^-12 of the pipes by 40 years. Only what is bad from the start counts.
NO_AGEING = (
    Ridge(terms=("hazard: all",), sd=0.1, mean=-12.0),
    Ridge(terms=("shape: all",), sd=0.1, mean=0.0),
)


def learn(
    row: IntArray,
    bad: BoolArray,
    start: tuple[Ridge, ...],
    beliefs: tuple[RateBelief, RateBelief],
) -> tuple[FittedLives, RatesPosterior]:
    """Learn from `bad`, shape (n_lives, n_looks), of lives in populations `row` that do not age."""
    n_lives, n_looks = bad.shape
    life, candidate_row, probability = single_candidates(row)
    looks = LifeLooks(
        candidate_life=life,
        candidate_row=candidate_row,
        candidate_probability=probability,
        install_min=np.zeros(n_lives),
        install_max=np.zeros(n_lives),
        look_life=np.repeat(np.arange(n_lives), n_looks),
        look_year=np.tile(np.arange(1.0, n_looks + 1.0), n_lives),
        look_bad=bad.ravel(),
    )
    n_rows = int(row.max()) + 1
    ones: FloatArray = np.ones((n_rows, 1))
    names = [str(i) for i in range(n_rows)]

    def trial(detection: Detection, near: FittedLives | None) -> Trial:
        fitted = LifeRegression(ridges=(*NO_AGEING, *start), detection=detection).fit(
            ones, ones, looks, X_names=["all"], Z_names=["all"], W=np.eye(n_rows), W_names=names, near=near
        )
        failed = FailedByLooks(looks).under(fitted, ones, ones, np.eye(n_rows))
        return Trial(fitted=fitted, failed=failed, dug_out=np.zeros(looks.n_looks))

    return fit_with_rates(trial, RepeatLooks(looks.look_life, looks.look_bad), *beliefs)


@pytest.mark.parametrize(("mean", "worth", "share"), [(0.8, 20.0, 0.7), (0.8, 60.0, 0.85), (0.9, 10.0, 0.75)])
def test_pipe_known_to_have_failed_gives_the_conjugate_posterior(
    mean: float, worth: float, share: float
) -> None:
    # All pipe is bad from the start (log odds 12), 20 lives, 3 looks each: the second and third look at each are
    # 40 Bernoulli trials of the sensitivity, so Beta(a, b) becomes Beta(a + bad, b + good) (Bayes 1763; any text).
    bad = np.zeros(60, dtype=bool)
    later = np.zeros(40, dtype=bool)
    later[: round(40 * share)] = True
    looks = bad.reshape(20, 3)
    looks[:, 0], looks[:, 1:] = True, later.reshape(20, 2)
    certain = (Ridge(terms=("start: 0",), sd=0.01, mean=12.0),)
    fitted, found = learn(
        np.zeros(20, dtype=np.int64),
        looks,
        certain,
        (RateBelief(mean=mean, looks=worth), RateBelief(mean=0.9)),
    )
    assert fitted.status == "ok"
    exact = beta(worth * mean + later.sum(), worth * (1 - mean) + (~later).sum())
    rate, spread = found.moments()
    # A normal approximation to the score, and its standard deviation, are a few per cent of that off.
    assert rate[0] == pytest.approx(exact.mean(), abs=0.1 * exact.std())
    assert np.sqrt(spread[0, 0]) == pytest.approx(exact.std(), rel=0.05)
    assert found.range()[0] == pytest.approx(exact.ppf([0.025, 0.975]), abs=0.15 * exact.std())
    assert rate[1] == 0.9
    assert spread[1, 1] == 0.0


#: Two tuberculin tests (Mantoux, Tine) in two populations: both positive, first only, second only, neither.
#: Hui & Walter 1980, Biometrics 36:167, Table 1 as it stands in later teaching code; estimates of the paper from memory:
#: sensitivities 0.966 and 0.969, specificities 0.993 and 0.984, shares diseased 0.027 and 0.717.
POPULATIONS = ((14, 4, 9, 528), (887, 31, 37, 367))
SENSITIVITIES, SPECIFICITIES = (0.966, 0.969), (0.984, 0.993)


def equal_rates() -> FloatArray:
    """Sensitivity, specificity and both shares where the two tests are alike: four equations, four unknowns."""

    def gap(x: FloatArray) -> list[float]:
        se, sp, *shares = x
        out = []
        for share, (both, first, second, neither) in zip(shares, POPULATIONS, strict=True):
            n = both + first + second + neither
            out.append(share * se**2 + (1 - share) * (1 - sp) ** 2 - both / n)
            out.append(share * (1 - se) ** 2 + (1 - share) * sp**2 - neither / n)
        return out

    found: FloatArray = fsolve(gap, [0.95, 0.98, 0.03, 0.7])
    return found


def test_two_imperfect_tests_in_two_populations_as_hui_and_walter_found_them() -> None:
    # Our two looks have the same rates, the two tests nearly so; either order counts once.
    row, bad = [], []
    for population, (both, first, second, neither) in enumerate(POPULATIONS):
        pairs = [(True, True)] * both + [(True, False)] * first + [(False, True)] * second
        pairs += [(False, False)] * neither
        bad += [*pairs, *((b, a) for a, b in pairs)]
        row += [population] * (2 * len(pairs))
    weak = tuple(Ridge(terms=(f"start: {i}",), sd=10.0) for i in range(2))
    belief = RateBelief(mean=0.9, looks=4.0)
    fitted, found = learn(np.array(row), np.array(bad), weak, (belief, belief))
    se, sp, *shares = equal_rates()
    rate, _ = found.moments()
    assert rate == pytest.approx([se, sp], abs=0.0015)
    assert min(SENSITIVITIES) - 0.002 < rate[0] < max(SENSITIVITIES) + 0.002
    assert min(SPECIFICITIES) < rate[1] < max(SPECIFICITIES)
    assert 1 / (1 + np.exp(-fitted.coef[2:])) == pytest.approx(shares, abs=0.003)
    assert shares == pytest.approx([0.027, 0.717], abs=0.006)
