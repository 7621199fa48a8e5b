"""Groups of lives that fail alike: derivatives, the arrow-shaped Hessian, and recovery of a known frailty."""

from __future__ import annotations

import numpy as np
import pytest

from models.arrow import Arrow
from models.atoms import REFERENCE_AGE, Predictors
from models.averages import STEPS, average_failure
from models.errors import ModelInputError
from models.groups import Groups
from models.laws import LAWS
from models.likelihood import LooksLikelihood
from models.lives import Detection, LifeLooks, LifeRegression, LineLooks, Ridge
from models.newton import maximise

N_GROUPS = 4
DETECTION = Detection(sensitivity=0.8, specificity=0.95)


def scene(n=240, seed=3):
    """Lives of two materials in four groups, some in lines of two, with one or two looks each."""
    rng = np.random.default_rng(seed)
    line = np.arange(n) // 2
    group = line % N_GROUPS
    material = rng.integers(0, 2, n)
    # Row: material within group; each life may also be of the other material.
    share = rng.uniform(0.2, 0.8, n)
    look_life = np.concatenate((np.arange(n), rng.integers(0, n, n // 2)))
    looks = LifeLooks(
        candidate_life=np.repeat(np.arange(n), 2),
        candidate_row=np.stack((material, 1 - material), axis=1).ravel() + 2 * np.repeat(group, 2),
        candidate_probability=np.stack((share, 1 - share), axis=1).ravel(),
        install_min=np.full(n, 1950.0),
        install_max=np.where(rng.random(n) < 0.5, 1950.0, 1958.0),
        look_life=look_life,
        look_year=rng.integers(1970, 2020, len(look_life)).astype(float),
        look_bad=rng.random(len(look_life)) < 0.4,
    )
    chosen = rng.permutation(n // 2)[:40]
    lines = LineLooks(
        line_year=rng.integers(1980, 2020, 40).astype(float),
        line_bad=rng.random(40) < 0.5,
        member_line=np.repeat(np.arange(40), 2),
        member_life=np.stack((2 * chosen, 2 * chosen + 1), axis=1).ravel(),
    )
    row_material = np.tile([0, 1], N_GROUPS)
    X = np.eye(2)[row_material]
    ones = np.ones((2 * N_GROUPS, 1))
    return looks, lines, (X, ones, ones), np.repeat(np.arange(N_GROUPS), 2)


@pytest.mark.parametrize("with_lines", [False, True])
@pytest.mark.parametrize("with_start", [False, True])
@pytest.mark.parametrize("law", LAWS)
def test_gradient_and_hessian_by_coefficients_and_effects_are_those_of_finite_differences(
    with_lines, with_start, law
):
    looks, lines, designs, group = scene()
    designs = designs if with_start else designs[:2]
    # The last group's rows belong to none.
    groups = Groups(np.where(group == N_GROUPS - 1, N_GROUPS - 1, group), N_GROUPS - 1)
    system = LooksLikelihood(looks, lines if with_lines else None, DETECTION, groups, law)
    p = sum(design.shape[1] for design in designs)
    x = np.array([-0.4, -1.1, 0.6, *([-2.0] if with_start else []), 0.3, -0.2, 0.1])

    def derivatives(x):
        parts = np.split(x[:p], np.cumsum([design.shape[1] for design in designs])[:-1])
        eta = [design @ part for design, part in zip(designs, parts, strict=True)]
        hazard = eta[0] + np.append(x[p:], 0.0)[groups.of_row]
        return system.derivatives(Predictors(hazard, eta[1], eta[2] if with_start else None), designs)

    found = derivatives(x)
    full = full_matrix(found.hessian)
    for i in range(len(x)):
        nudge = np.zeros(len(x))
        nudge[i] = 1e-5
        up, down = derivatives(x + nudge), derivatives(x - nudge)
        assert (up.value - down.value) / 2e-5 == pytest.approx(found.gradient[i], abs=1e-4)
        np.testing.assert_allclose((up.gradient - down.gradient) / 2e-5, full[i], rtol=1e-5, atol=2e-4)


def full_matrix(arrow):
    p, g = len(arrow.corner), len(arrow.tip)
    full = np.zeros((p + g, p + g))
    full[:p, :p], full[p:, :p], full[:p, p:] = arrow.corner, arrow.cross, arrow.cross.T
    full[p:, p:] = np.diag(arrow.tip)
    return full


def test_an_arrow_is_inverted_and_climbed_as_its_full_matrix():
    rng = np.random.default_rng(1)
    cross, tip = rng.normal(size=(6, 3)), rng.uniform(3, 5, 6)
    arrow = Arrow(8 * np.eye(3) + cross.T @ cross, cross, tip)
    inverse = np.linalg.inv(full_matrix(arrow))
    corner = np.linalg.inv(arrow.reduced())
    np.testing.assert_allclose(corner, inverse[:3, :3], rtol=1e-10)
    np.testing.assert_allclose(arrow.tip_of_inverse(corner), np.diag(inverse)[3:], rtol=1e-10)
    pull = rng.normal(size=9)

    def as_arrow(x):
        return (
            float(pull @ x - 0.5 * x @ full_matrix(arrow) @ x),
            pull - full_matrix(arrow) @ x,
            arrow.negated(),
        )

    def in_full(x):
        value, gradient, _ = as_arrow(x)
        return value, gradient, -full_matrix(arrow)

    climbed, plain = maximise(as_arrow, np.zeros(9)), maximise(in_full, np.zeros(9))
    assert climbed.converged
    np.testing.assert_allclose(climbed.x, inverse @ pull, atol=1e-9)
    np.testing.assert_allclose(climbed.x, plain.x, atol=1e-9)


def test_a_line_of_two_groups_is_refused():
    looks, lines, _, group = scene()
    mixed = np.arange(len(group))
    with pytest.raises(ModelInputError, match="two groups"):
        LooksLikelihood(looks, lines, DETECTION, Groups(mixed, len(mixed)))


def frail_town(rng, *, n_groups=100, n_each=80, sd=0.4):
    """Known law: H = e^b (age / 60)^3, b ~ N(0, sd²); each group was laid in one decade."""
    group = np.repeat(np.arange(n_groups), n_each)
    effect = rng.normal(0, sd, n_groups)
    laid = np.repeat(rng.uniform(1920, 1985, n_groups), n_each)
    look = rng.uniform(2005, 2025, len(group))
    failed = 60 * (rng.exponential(size=len(group)) / np.exp(effect[group])) ** (1 / 3)
    looks = LifeLooks(
        candidate_life=np.arange(len(group)),
        candidate_row=group,
        candidate_probability=np.ones(len(group)),
        install_min=np.round(laid),
        install_max=np.round(laid),
        look_life=np.arange(len(group)),
        look_year=np.round(look),
        look_bad=failed <= np.round(look) - np.round(laid),
    )
    return looks, effect


def fit(looks, n_groups, *, with_groups):
    ones = np.ones((n_groups, 1))
    priors = (
        Ridge(terms=("hazard: x0",), mean=-1.0, sd=2.0),
        Ridge(terms=("shape: z0",), mean=0.7, sd=1.0),
    )
    return LifeRegression(ridges=priors).fit(
        ones, ones, looks, group=np.arange(n_groups) if with_groups else None
    )


def test_a_known_frailty_is_recovered_and_leaving_it_out_flattens_the_curve():
    """Simulation with known truth; that heterogeneity flattens is Vaupel, Manton & Stallard 1979 (from memory)."""
    rng = np.random.default_rng(20261125)
    shapes, inside, flat, sds, ranks = [], 0, [], [], []
    n_towns, at = 12, 3 * np.log(REFERENCE_AGE / 60.0)
    for _ in range(n_towns):
        looks, effect = frail_town(rng)
        found = fit(looks, len(effect), with_groups=True)
        assert found.status == "ok"
        shapes.append(np.exp(found.coef[1]))
        flat.append(np.exp(fit(looks, len(effect), with_groups=False).coef[1]))
        sds.append(found.effects.sd)
        ranks.append(np.corrcoef(found.effects.value, effect)[0, 1])
        # Log hazard of the average group at the reference age, by draws.
        low, high = np.quantile(found.draws(400, rng)[:, 0], [0.025, 0.975])
        inside += low <= at <= high
    assert np.mean(shapes) == pytest.approx(3.0, abs=0.2)
    assert np.mean(flat) < np.mean(shapes) - 0.15
    assert np.mean(sds) == pytest.approx(0.4, abs=0.08)
    assert np.mean(ranks) > 0.6
    assert inside >= 9  # 95 % nominal: fewer than 9 of 12 has a chance of 2 in 10,000


def test_draws_carry_the_effects_and_groups_without_looks_are_as_wide_as_groups_differ():
    rng = np.random.default_rng(5)
    looks, effect = frail_town(rng, n_groups=40, n_each=40)
    n_rows = len(effect) + 1
    ones = np.ones((n_rows, 1))
    found = LifeRegression(
        ridges=(
            Ridge(terms=("hazard: x0",), mean=-1.0, sd=2.0),
            Ridge(terms=("shape: z0",), mean=0.7, sd=1.0),
        )
    ).fit(ones, ones, looks, group=np.arange(n_rows))
    draws = found.draws(4000, rng)
    assert draws.shape == (4000, 2 + n_rows)
    assert draws[:, -1].std() == pytest.approx(found.effects.sd, rel=0.05)
    np.testing.assert_allclose(draws[:, 2:].std(axis=0), found.effects.standard_error, rtol=0.1)
    # A group's own chance: its effect multiplies the cumulative hazard.
    group = np.array([3, -1])
    own, average = found.failure_probability(50.0, ones[:2], ones[:2], group=group)
    assert np.log(np.log1p(-own) / np.log1p(-average)) == pytest.approx(found.effects.value[3], abs=1e-9)
    with pytest.raises(ModelInputError, match="groups"):
        found.predictors(ones[:1], ones[:1], None, found.mode, np.array([n_rows]))


def test_the_average_over_unlike_lives_is_that_of_each_by_itself():
    rng = np.random.default_rng(2)
    ages, shape = np.array([0.0, 5.0, 40.0, 90.0]), np.array([1.3, 3.0])
    log_hazard = rng.normal(-np.log(60.0) * shape[:, None], 0.8, (2, 5000))
    share = rng.dirichlet(np.ones(5000))
    lost = np.array([0.0, 0.05])
    hazard = np.exp(
        log_hazard[:, None, :] + shape[:, None, None] * np.log(np.maximum(ages, 1e-9))[None, :, None]
    )
    exact = (1 - np.exp(-lost[:, None, None] * (ages > 0)[None, :, None] - hazard)) @ share
    assert log_hazard.shape[1] > STEPS
    np.testing.assert_allclose(
        average_failure(ages, np.log(shape), log_hazard, share, lost), exact, atol=2e-4
    )
    few = slice(0, STEPS)
    alone = average_failure(ages, np.log(shape), log_hazard[:, few], share[few] / share[few].sum(), lost)
    np.testing.assert_allclose(
        alone,
        (1 - np.exp(-lost[:, None, None] * (ages > 0)[None, :, None] - hazard[..., few]))
        @ (share[few] / share[few].sum()),
        atol=1e-9,
    )
