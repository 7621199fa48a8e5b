"""Records that carry little or nothing, given to the regression: a wide answer or one sentence, in every family."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from models.errors import ModelInputError
from models.families import FAMILIES, hazard_value
from models.priors import Ridge
from models.profile import chance_intervals
from models.regression import IntervalRegression

INF = np.inf
every_family = pytest.mark.parametrize("family", FAMILIES)

BAD = [
    (dict(left=[0, np.nan]), "row 1: left is not a number."),
    (dict(left=["0", "ten"]), "row 1: left holds 'ten', which is not a number."),
    (dict(left=[[0, 5]]), "left must be a flat array, not of shape (1, 2)."),
    (dict(right=[5, np.nan]), "row 1: right is not a number; write inf where the event was never seen."),
    (dict(right=[5, None]), "row 1: right is not a number; write inf where the event was never seen."),
    (dict(left=[-1, 0]), "row 0: left is -1; an age cannot be negative."),
    (dict(left=[0, 9]), "row 1: right (8) is less than left (9)."),
    (dict(left=[0, INF], right=[5, INF]), "row 1: left is infinite; the last age seen without the event"),
    (dict(right=[5]), "left has 2 records and right has 1."),
    (dict(right=[0, 8]), "row 0: a failure at age 0 has no place in this family."),
    (dict(weight=[1, -2]), "row 1: weight is -2; it cannot be negative."),
    (dict(weight=[1, np.nan]), "row 1: weight is not a number."),
    (dict(weight=[1, INF]), "row 1: weight is infinite."),
    (dict(weight=[1]), "left has 2 records and weight has 1."),
    (dict(entry=[0, 8]), "row 1: right (8) is not after entry (8): this unit would never be seen."),
    (dict(entry=[0, np.nan]), "row 1: entry is not a number of 0 or more."),
    (dict(entry=[-1, 0]), "row 0: entry is not a number of 0 or more."),
    (dict(entry=[0]), "left has 2 records and entry has 1."),
    (dict(exposure=[1, 0]), "row 1: exposure must be a number above 0."),
    (dict(exposure=[np.nan, 1]), "row 0: exposure must be a number above 0."),
    (dict(exposure=[1]), "exposure must have 2 entries."),
    (dict(X=[1.0, np.nan]), "row 1: X holds NaN or infinity."),
    (dict(X=[[1.0], [INF]]), "row 1: X holds NaN or infinity."),
    (dict(X=[["clay"], ["iron"]]), "row 0: X holds 'clay', which is not a number."),
    (dict(X=[[1.0]]), "X has shape (1, 1); it must have 2 rows."),
    (dict(X=np.zeros((2, 1, 1))), "X has shape (2, 1, 1); it must have 2 rows."),
    (dict(X=[1j, 2]), "X: Complex data not supported."),
    (dict(shape_X=[1.0, np.nan]), "row 1: shape_X holds NaN or infinity."),
]


@pytest.mark.parametrize(("change", "text"), BAD)
def test_an_impossible_record_is_named(change, text):
    with pytest.raises(ModelInputError) as caught:
        IntervalRegression().fit(**({"X": None, "left": [0, 5], "right": [5, 8]} | change))
    assert str(caught.value).startswith(text)


def some_records(n=80, seed=1):
    rng = np.random.default_rng(seed)
    lifetime, age = 50 * rng.weibull(2.5, n), rng.uniform(5, 90, n)
    return np.where(lifetime > age, age, 0.0), np.where(lifetime > age, INF, age)


QUESTIONS = [
    (lambda fit: fit.failure_probability(np.nan, [1, 2]), "row 0: age is nan; it must be a finite number."),
    (lambda fit: fit.failure_probability([1, INF], [1, 2]), "row 1: age is inf; it must be a finite number."),
    (lambda fit: fit.failure_probability("old", [1, 2]), "age holds 'old', which is not a number."),
    (lambda fit: fit.failure_probability(5, [1, np.nan]), "row 0: X holds NaN or infinity."),
    (
        lambda fit: fit.failure_probability(5, [1, 2, 3]),
        "X has 3 features, but IntervalRegression is expecting 2",
    ),
    (lambda fit: fit.failure_probability(5), "X has 0 features, but IntervalRegression is expecting 2"),
    (
        lambda fit: fit.failure_probability([1, 2], [[1, 2]] * 3),
        "3 rows of covariates do not go with 2, 1, 1",
    ),
    (
        lambda fit: fit.failure_probability(5, [1, 2], exposure=0),
        "row 0: exposure is 0; it must be a number above",
    ),
    (lambda fit: fit.failure_probability(5, [1, 2], shape_X=[1]), "shape_X has 1 columns; the fit has 0."),
    (
        lambda fit: fit.failure_probability(5, [1, 2], given_survival_to=np.nan),
        "row 0: given_survival_to is nan",
    ),
    (lambda fit: fit.quantile(0.0, [1, 2]), "row 0: probability is 0; it must be a number between 0 and 1."),
    (
        lambda fit: fit.quantile([0.5, np.nan], [1, 2]),
        "row 1: probability is nan; it must be a number between",
    ),
]


@pytest.mark.parametrize(("ask", "text"), QUESTIONS)
def test_an_impossible_question_is_told(ask, text):
    left, right = some_records()
    x = np.random.default_rng(2).normal(size=(len(left), 2))
    with pytest.raises(ModelInputError) as caught:
        ask(IntervalRegression().fit(x, left, right))
    assert str(caught.value).startswith(text)


NOTHING_TOLD = [
    ("no_records", [], [], "There are no records."),
    ("no_failures", [10, 20, 30], [INF] * 3, "None of 3 was ever seen failed"),
    ("all_failed", [0, 0, 0], [10, 20, 30], "All 3 had failed at the first look"),
    ("not_identified", [0, 0, 40, 40], [40, 40, INF, INF], "These records cannot tell the size of"),
    ("not_identified", [10], [20], "These records cannot tell the size of"),
]


@every_family
@pytest.mark.parametrize(("status", "left", "right", "reason"), NOTHING_TOLD)
def test_no_estimate_is_said_and_predictions_repeat_it(family, status, left, right, reason):
    fit = IntervalRegression(family).fit(None, left, right)
    assert fit.status_ == status
    assert fit.reason_.startswith(reason)
    assert np.isnan(fit.parameters_).all()
    for ask in (
        lambda: fit.failure_probability(40.0),
        lambda: fit.quantile(0.5),
        lambda: fit.draws(3, np.random.default_rng(1)),
        lambda: fit.log_scores(None, [0.0], [5.0]),
    ):
        with pytest.raises(ModelInputError, match="this fit has no estimates"):
            ask()


HELD = (Ridge(terms=("intercept",), mean=4.0, sd=0.7), Ridge(terms=("log_shape0",), mean=0.9, sd=0.4))


@every_family
@pytest.mark.parametrize(("status", "left", "right", "reason"), NOTHING_TOLD[1:])
def test_with_priors_on_everything_the_answer_is_wide(family, status, left, right, reason):
    fit = IntervalRegression(family, priors=HELD).fit(None, left, right)
    assert fit.status_ == "ok"
    drawn = fit.failure_probability(40.0, parameters=fit.draws(2000, np.random.default_rng(1)))
    low, high = np.quantile(drawn, [0.05, 0.95])
    assert high - low > 0.1
    interval = chance_intervals(fit, 40.0)
    assert interval.lower[0] < fit.failure_probability(40.0)[0] < interval.upper[0]


@every_family
def test_one_look_of_weight_zero_changes_nothing(family):
    left, right = some_records()
    plain = IntervalRegression(family).fit(None, left, right)
    # One that would be impossible, and one that would say something.
    more = IntervalRegression(family).fit(
        None, np.append(left, [0, 50]), np.append(right, [0, 51]), np.append(np.ones(len(left)), [0, 0])
    )
    np.testing.assert_allclose(more.parameters_, plain.parameters_, atol=1e-9)


@every_family
def test_a_material_with_two_records_is_wide_when_pooled_and_told_when_not(family):
    rng = np.random.default_rng(3)
    cell = np.r_[np.repeat([0, 1, 2], 100), 3, 3]
    lifetime, age = 50 * rng.weibull(2.5, 302), rng.uniform(5, 90, 302)
    left, right = np.where(lifetime > age, age, 0.0), np.where(lifetime > age, INF, age)
    # The two were sound when young: on their own they could last for ever.
    left[300:], right[300:] = [10.0, 12.0], INF
    x = np.eye(4)[cell]
    alone = IntervalRegression(family).fit(x, left, right)
    assert alone.status_ == "not_identified"
    assert "'x3'" in alone.reason_
    pooled = IntervalRegression(family, penalty="estimate").fit(x, left, right)
    assert pooled.status_ == "ok"
    wide, narrow = chance_intervals(pooled, [50.0, 50.0], np.eye(4)[[3, 0]]), None
    narrow = wide.upper[1] - wide.lower[1]
    assert wide.upper[0] - wide.lower[0] > narrow
    assert wide.lower[0] < pooled.failure_probability(50.0, np.eye(4)[3])[0] < wide.upper[0]


@every_family
def test_young_looks_and_very_old_ones_do_not_break_the_sums(family):
    left = np.array([0.0, 0.0, 1e-3, 30.0, 0.0, 80.0, 20.0, 1000.0])
    right = np.array([1e-3, 20.0, 60.0, INF, INF, 200.0, 20.0, INF])
    fit = IntervalRegression(family).fit(None, left, right)
    if family == "gompertz":
        # Failures come at a falling rate, and no Gompertz hazard falls: the best is its limit, a constant.
        assert fit.status_ == "not_identified"
        return
    assert fit.status_ == "ok"
    assert np.isfinite(fit.log_likelihood_)
    chance = fit.failure_probability([0.0, 1e-9, 1.0, 1e9])
    assert chance[0] == 0.0
    assert (np.diff(chance) >= 0).all()


@pytest.mark.parametrize("u", [-37.0, -20.0, -8.0, -2.0, -0.5, 3.0, 8.0, 37.0])
def test_normal_tails_keep_their_digits_on_both_sides(u):
    # scipy's norm.logcdf and norm.logsf.
    H = hazard_value("log-normal", np.array([u]), np.zeros(1), np.zeros(1))
    assert -H[0] == pytest.approx(stats.norm.logsf(u), rel=1e-12)
    log_failed = np.log(-np.expm1(-H[0])) if u < 0 else np.log1p(-np.exp(-H[0]))
    assert log_failed == pytest.approx(stats.norm.logcdf(u), rel=1e-12)


@st.composite
def odd_records(draw):
    """Few records of every kind at few ages, with odd weights, covariates, entry ages and exposures."""
    n = draw(st.integers(1, 8))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    pool = [0, 0, 0.1, 1, 5, 10, 20, 20, 40, 60, 80, 100, 500]
    first, second = rng.choice(pool, n), rng.choice(pool, n)
    left, right = np.minimum(first, second), np.maximum(first, second)
    kind = rng.integers(0, 4, n)
    left, right = np.where(kind == 0, 0, left), np.where(kind == 1, INF, right)
    left = np.where((kind == 2) & np.isfinite(right), right, left)
    return dict(
        X=rng.choice([0, 1, -3, 1e3], (n, rng.integers(0, 3))),
        left=left,
        right=right,
        weight=rng.choice([0, 1, 1, 1, 3], n),
        entry=left * rng.choice([0, 0.5], n),
        exposure=rng.choice([1, 1, 0.1, 10], n),
    )


@every_family
@given(given_records=odd_records())
@settings(deadline=None, max_examples=40)
def test_any_few_records_give_numbers_or_a_sentence(family, given_records):
    """Warnings are errors here; an answer is finite, or a status with its sentence, or one error."""
    try:
        fit = IntervalRegression(family).fit(**given_records)
    except ModelInputError as error:
        told = str(error)
        assert told == f"row {error.row}: a failure at age 0 has no place in this family."  # noqa: PT017
        return
    if fit.status_ != "ok":
        assert fit.reason_.endswith(".")
        return
    assert np.isfinite(fit.parameters_).all()
    assert np.isfinite(fit.standard_error_).all()
    assert np.isfinite(fit.log_likelihood_)
    chance = fit.failure_probability([1, 30, 100], given_records["X"][:1])
    assert (np.diff(chance) >= 0).all()
    assert not np.isnan(fit.quantile(0.5, given_records["X"][:1])).any()


@every_family
def test_a_column_in_an_absurd_unit_raises_no_warning(family):
    left, right = some_records()
    x = np.random.default_rng(3).integers(0, 2, len(left)).astype(float)
    with pytest.raises(
        ModelInputError, match=r"^row \d+: X holds a number beyond 1e\+100; use another unit\.$"
    ):
        IntervalRegression(family).fit(x * 1e200, left, right)
    plain, large = (IntervalRegression(family).fit(x * unit, left, right) for unit in (1.0, 1e60))
    assert (plain.status_, large.status_) == ("ok", "ok")
    assert large.log_likelihood_ == pytest.approx(plain.log_likelihood_, abs=1e-6)
