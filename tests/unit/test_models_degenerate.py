"""Records that can carry little or nothing: a wide answer or one sentence, never a warning or a silent NaN."""

import numpy as np
import pytest

from models.bands import likelihood_ratio_band
from models.errors import ModelInputError
from models.laws import LAWS
from models.lives import Detection, LifeLooks, LifeRegression, LineLooks, Ridge, single_candidates
from models.npmle import NPMLE
from models.regression import IntervalRegression
from models.series import series_chances

INF = np.inf
BAD_RECORDS = [
    ([0, np.nan], [5, 5], None, "row 1: left is not a number."),
    (
        [0, 3],
        [5, np.nan],
        None,
        "row 1: right is not a number; write inf where the event was never seen.",
    ),
    ([0, -3], [5, 5], None, "row 1: left is -3; an age cannot be negative."),
    ([0, 9], [5, 5], None, "row 1: right (5) is less than left (9)."),
    (
        [0, INF],
        [5, INF],
        None,
        "row 1: left is infinite; the last age seen without the event must be a number.",
    ),
    ([0, 1], [5, 5], [1, -2], "row 1: weight is -2; it cannot be negative."),
    ([0, 1], [5, 5], [1, np.nan], "row 1: weight is not a number."),
    ([0, 1], [5], None, "left has 2 records and right has 1."),
]


@pytest.mark.parametrize(("left", "right", "weight", "text"), BAD_RECORDS)
@pytest.mark.parametrize("fit", [NPMLE().fit, lambda *a: IntervalRegression().fit(None, *a)])
def test_impossible_records_are_named(fit, left, right, weight, text):
    with pytest.raises(ModelInputError) as caught:
        fit(left, right, weight)
    assert str(caught.value) == text


@pytest.mark.parametrize("fit", [NPMLE().fit, lambda *a, **b: IntervalRegression().fit(None, *a, **b)])
def test_entry_ages_are_checked(fit):
    for entry, text in (
        ([9, 2], r"^row 0: right \(9\) is not after entry \(9\)"),
        ([2, np.nan], "^row 1: entry is not a number of 0 or more"),
        ([2], "^left has 2 records and entry has 1"),
    ):
        with pytest.raises(ModelInputError, match=text):
            fit([0, 5], [9, 9], entry=entry)


def test_no_failures():
    curve = NPMLE().fit([10, 20, 30], [INF] * 3)
    assert curve.status_ == "no_failures"
    assert curve.reason_ == "None of 3 was ever seen failed: F is 0 as far as anyone looked."
    np.testing.assert_array_equal(curve.cdf([10.0, 30.0, 31.0]), [[0, 0, 0], [0, 0, 1]])
    fit = IntervalRegression().fit(None, [10, 20, 30], [INF] * 3)
    assert fit.status_ == "no_failures"
    assert np.isnan(fit.parameters_).all()
    band = likelihood_ratio_band([10, 20, 30], [5, 5, 5], [0, 0, 0], [5, 20, 40])
    np.testing.assert_array_equal(band.lower, 0.0)
    # By hand past 20: holding F to p costs the 5 looks at 30, 2 · 5 · -log(1 - p) = 2.28.
    assert band.upper[1] == pytest.approx(1 - np.exp(-2.28 / 10), abs=1e-9)
    # Before the first look F may be anything that does not exceed what later looks allow.
    assert band.upper[0] == pytest.approx(1 - np.exp(-2.28 / 30), abs=1e-9)


def test_all_failed():
    curve = NPMLE().fit([0, 0, 0], [10, 20, 30])
    assert curve.status_ == "all_failed"
    np.testing.assert_array_equal(curve.cdf([0.0, 5.0, 10.0]), [[0, 0, 1], [0, 1, 1]])
    assert IntervalRegression().fit(None, [0, 0, 0], [10, 20, 30]).status_ == "all_failed"
    band = likelihood_ratio_band([10, 20, 30], [5, 5, 5], [5, 5, 5], [20])
    assert band.upper[0] == 1.0
    # By hand: the 10 looks at 10 and 20 would have to be failed with chance p or less.
    assert band.lower[0] == pytest.approx(np.exp(-2.28 / 20), abs=1e-9)


def test_nothing_at_all():
    curve = NPMLE().fit([], [])
    assert curve.status_ == "no_records"
    np.testing.assert_array_equal(curve.cdf([5.0]), [[0], [1]])
    weightless = NPMLE().fit([0, 5], [5, INF], [0, 0])
    assert (weightless.status_, weightless.reason_) == ("no_records", "There are no records.")
    np.testing.assert_array_equal(weightless.cdf([5.0]), [[0], [1]])
    band = likelihood_ratio_band([10], [0], [0], [10.0])
    assert (band.lower[0], band.upper[0]) == (0.0, 1.0)
    assert IntervalRegression().fit(None, [], []).status_ == "no_records"
    assert IntervalRegression().fit(None, [5.0], [9.0], [0.0]).status_ == "no_records"
    band = likelihood_ratio_band([], [], [], [10.0])
    assert (band.lower[0], band.upper[0]) == (0.0, 1.0)


def test_a_record_of_weight_zero_is_not_there():
    kept, weighted = ([10.5, 0, 30], [20, 15, INF]), ([10.5, 0, 30, 12, 41], [20, 15, INF, 13, 41])
    weight = [1, 1, 1, 0, 0]
    curve, other = NPMLE().fit(*kept), NPMLE().fit(*weighted, weight)
    np.testing.assert_array_equal(curve.intervals_, other.intervals_)
    np.testing.assert_allclose(curve.mass_, other.mass_)
    fits = IntervalRegression().fit(None, *kept), IntervalRegression().fit(None, *weighted, weight)
    np.testing.assert_allclose(fits[0].parameters_, fits[1].parameters_, atol=1e-8)


def test_one_record():
    curve = NPMLE().fit([10], [20])
    np.testing.assert_array_equal(curve.intervals_, [[10, 20]])
    assert curve.log_likelihood_ == 0.0
    assert IntervalRegression().fit(None, [10], [20]).status_ in {"not_identified", "not_converged"}


def test_known_ages_give_the_empirical_curve():
    curve = NPMLE().fit([3, 5, 5, 9], [3, 5, 5, 9])
    np.testing.assert_array_equal(curve.cdf([2.9, 3, 5, 8, 9])[0], [0, 0.25, 0.75, 0.75, 1.0])
    assert curve.kkt_gap_ < 1e-9


@pytest.mark.parametrize("entry", [None, 0.5])
@pytest.mark.parametrize("n", [100, 3000])
def test_a_chain_of_records_that_each_overlap_the_next_is_solved(n, entry):
    # What one record tells travels along the chain by one a round: self-consistency alone needs millions.
    left = np.arange(1.0, n + 1)
    curve = NPMLE().fit(left, left + 1.5, entry=None if entry is None else left * entry)
    assert curve.status_ == "ok"
    assert curve.kkt_gap_ < 1e-8


@pytest.mark.parametrize("entry", [None, 1.0])
def test_a_maximum_not_reached_is_told(entry):
    ages = np.sort(np.random.default_rng(1).uniform(1, 90, (300, 2)), axis=1)
    late = None if entry is None else np.full(300, entry)
    curve = NPMLE(max_iterations=2).fit(ages[:, 0], ages[:, 1], entry=late)
    assert curve.status_ == "not_converged"
    assert curve.reason_ == "The maximum was not reached in 2 rounds; raise max_iterations."


def test_age_zero_is_a_look_that_says_nothing_and_a_failure_there_is_refused_by_the_laws():
    curve = NPMLE().fit([0, 0, 10], [INF, 20, INF])
    assert curve.mass_.sum() == pytest.approx(1.0)
    born_broken = NPMLE().fit([0, 5], [0, 5])
    np.testing.assert_array_equal(born_broken.intervals_, [[0, 0], [5, 5]])
    assert born_broken.cdf(0.0)[0] == 0.5
    with pytest.raises(ModelInputError, match=r"^row 1: a failure at age 0"):
        IntervalRegression().fit(None, [5, 0], [9, 0])


def test_all_ages_the_same():
    left, right = [0, 0, 40, 40], [40, 40, INF, INF]
    lower, upper = NPMLE().fit(left, right).cdf([39.0, 40.0, 41.0])
    np.testing.assert_array_equal(lower, [0, 0.5, 0.5])
    np.testing.assert_array_equal(upper, [0.5, 0.5, 1.0])
    # One point of the curve cannot give two parameters.
    assert IntervalRegression().fit(None, left, right).status_ == "not_identified"


def test_a_covariate_that_separates_is_told():
    x = np.repeat([0.0, 1.0], 20)
    left = np.r_[np.zeros(10), np.full(10, 30.0), np.full(20, 50.0)]
    right = np.r_[np.linspace(20, 60, 10), np.full(30, INF)]
    fit = IntervalRegression().fit(x, left, right)
    assert fit.status_ == "not_identified"
    assert np.isnan(fit.coef_).all()
    held = IntervalRegression(penalty=1.0).fit(x, left, right)
    assert held.status_ == "ok"
    assert held.coef_[0] > 0
    assert held.standard_error_[1] > 0.3


def test_a_column_given_twice_is_told():
    rng = np.random.default_rng(1)
    x = rng.normal(size=60)
    age = rng.uniform(10, 80, 60)
    bad = rng.random(60) < 0.5
    fit = IntervalRegression().fit(np.stack((x, x), axis=1), np.where(bad, 0.0, age), np.where(bad, age, INF))
    assert fit.status_ == "not_identified"


def looks_of(bad, *, year=None, install=1950.0, **changes):
    n = len(bad)
    life, row, probability = single_candidates(np.zeros(n, dtype=int))
    given = dict(
        candidate_life=life,
        candidate_row=row,
        candidate_probability=probability,
        install_min=np.full(n, install),
        install_max=np.full(n, install),
        look_life=np.arange(n),
        look_year=np.linspace(1980, 2020, n) if year is None else year,
        look_bad=bad,
    )
    return LifeLooks(**(given | changes))


ONE = np.ones((1, 1))
PRIORS = (Ridge(terms=("hazard: all",), mean=-1.4, sd=1.4), Ridge(terms=("shape: all",), mean=1.0, sd=0.4))


def fit_looks(looks, ridges=PRIORS, line_looks=None, law="weibull"):
    return LifeRegression(ridges=ridges, law=law).fit(
        ONE, ONE, looks, line_looks, X_names=["all"], Z_names=["all"]
    )


@pytest.mark.parametrize(("bad", "status"), [([False] * 5, "no_failures"), ([True] * 5, "all_failed")])
def test_lives_all_alike_need_priors_and_are_wide_with_them(bad, status):
    free = fit_looks(looks_of(bad), ridges=())
    assert free.status == status
    assert str(len(bad)) in free.reason
    held = fit_looks(looks_of(bad))
    assert held.status == "ok"
    chance = held.failure_probability(60.0, ONE, ONE, draws=held.draws(2000, np.random.default_rng(1)))
    low, high = np.quantile(chance, [0.05, 0.95])
    assert high - low > 0.15


@pytest.mark.parametrize("law", LAWS)
@pytest.mark.parametrize(
    ("bad", "year"),
    [
        ([False] * 5, None),
        ([True] * 5, None),
        ([True], None),
        ([False], None),
        ([True, False] * 5, np.full(10, 1990.0)),
        ([False] * 5, np.full(5, 1950.0)),
        ([True, False], np.array([1e300, 2000.0])),
    ],
    ids=["none failed", "all failed", "one bad", "one good", "one age", "age 0", "an endless age"],
)
def test_under_every_law_thin_looks_leave_a_wide_range(law, bad, year):
    fit = fit_looks(looks_of(bad, year=year), law=law)
    assert fit.status == "ok"
    chance = fit.failure_probability(60.0, ONE, ONE, draws=fit.draws(1000, np.random.default_rng(1)))
    assert np.isfinite(chance).all()
    low, high = np.quantile(chance, [0.05, 0.95])
    assert high - low > 0.12


def test_one_life_and_no_look():
    assert fit_looks(looks_of([True])).status == "ok"
    fit = fit_looks(looks_of([True], look_life=[], look_year=[], look_bad=[]))
    assert fit.status == "no_looks"
    assert fit.reason == "No look at any pipe can be used."


def test_two_records_of_one_material_lean_on_the_rest():
    rng = np.random.default_rng(2)
    row = np.r_[np.repeat(np.arange(6), 100), 6, 6]
    lifetime = 50 * np.exp(np.array([-0.2, -0.1, 0, 0, 0.1, 0.2, 0])[row]) * rng.weibull(2.5, len(row))
    life, rows, probability = single_candidates(row)
    year = rng.uniform(1960, 2020, len(row))
    looks = looks_of(
        year - 1950 > lifetime,
        year=year,
        candidate_life=life,
        candidate_row=rows,
        candidate_probability=probability,
    )
    names = tuple("abcdefg")
    X = np.hstack((np.ones((7, 1)), np.eye(7)))
    pooled = Ridge(terms=tuple(f"hazard: {name}" for name in names))
    fit = LifeRegression(ridges=(*PRIORS, pooled)).fit(
        X, np.ones((7, 1)), looks, X_names=("all", *names), Z_names=["all"]
    )
    assert fit.status == "ok"
    # The true spread of the six is .15 in log age, of a shape of 2.5.
    assert 0.24 < fit.prior_sd[1] < 1.2
    hazard = fit.draws(4000, np.random.default_rng(1))[:, :8] @ X.T
    spread = hazard.std(axis=0)
    assert spread[6] > 2 * spread[:6].max()
    # And it lies among them, where two records alone would say anything.
    assert hazard[:, :6].mean() == pytest.approx(hazard[:, 6].mean(), abs=0.75)


def test_the_width_chosen_for_a_prior_is_the_best_one():
    """Marginal likelihood times the stated prior of the width falls on both sides of the choice."""
    rng = np.random.default_rng(3)
    row = np.repeat(np.arange(5), 80)
    lifetime = 50 * np.exp(rng.normal(0, 0.3, 5)[row]) * rng.weibull(2.5, len(row))
    life, rows, probability = single_candidates(row)
    year = rng.uniform(1960, 2020, len(row))
    looks = looks_of(
        year - 1950 > lifetime,
        year=year,
        candidate_life=life,
        candidate_row=rows,
        candidate_probability=probability,
    )
    names = tuple("abcde")
    X, terms = np.hstack((np.ones((5, 1)), np.eye(5))), tuple(f"hazard: {name}" for name in names)

    def fit(sd):
        model = LifeRegression(ridges=(*PRIORS, Ridge(terms=terms, sd=sd)))
        return model.fit(X, np.ones((5, 1)), looks, X_names=("all", *names), Z_names=["all"])

    chosen = fit(None).prior_sd[1]
    # The prior of the width is Gamma(2, 2): proportional to sd exp(-2 sd).
    worth = [fit(sd).log_marginal + np.log(sd) - 2 * sd for sd in (chosen * 0.85, chosen, chosen * 1.18)]
    assert worth[1] > worth[0]
    assert worth[1] > worth[2]


def test_a_life_called_bad_before_it_was_laid_is_left_out_and_listed():
    looks = looks_of([True, False, True, True], year=[1940.0, 1990.0, 2010.0, 2020.0])
    fit = fit_looks(looks)
    assert fit.status == "ok"
    assert fit.excluded_lives.tolist() == [0]
    without = fit_looks(looks_of([False, True, True], year=[1990.0, 2010.0, 2020.0]))
    np.testing.assert_allclose(fit.coef, without.coef, atol=1e-8)


@pytest.mark.parametrize(
    ("changes", "text"),
    [
        ({"install_max": [1940.0]}, "row 0: install_max is earlier than install_min."),
        ({"look_year": [np.nan]}, "row 0: look_year is not a finite number."),
        ({"look_life": [3]}, "row 0: look_life is not one of the 1 lives."),
        ({"candidate_probability": [0.5]}, "row 0: candidate probabilities of this life do not add up to 1."),
        ({"weight": [-1.0]}, "row 0: weight is negative."),
        ({"look_bad": [np.nan]}, "row 0: look_bad is neither true nor false, 1 nor 0."),
        ({"look_bad": ["no"]}, "row 0: look_bad is neither true nor false, 1 nor 0."),
        ({"look_bad": [None]}, "row 0: look_bad is neither true nor false, 1 nor 0."),
        ({"look_bad": [2]}, "row 0: look_bad is neither true nor false, 1 nor 0."),
        (
            {"look_bad": [True, False]},
            "these arrays must be of one length: look_life 1, look_year 1, look_bad 2.",
        ),
    ],
)
def test_impossible_looks_are_named(changes, text):
    with pytest.raises(ModelInputError) as caught:
        looks_of([True], **changes)
    assert str(caught.value) == text


def test_a_prior_for_an_unknown_term_is_named():
    with pytest.raises(ModelInputError, match="a prior names 'hazard: nothing', which is not a term"):
        fit_looks(looks_of([True]), ridges=(Ridge(terms=("hazard: nothing",), sd=1.0),))


def test_a_line_look_must_have_members_that_exist():
    with pytest.raises(ModelInputError, match="row 1: this line look has no member"):
        LineLooks(line_year=[2000.0, 2001.0], line_bad=[1, 0], member_line=[0], member_life=[0])
    astray = LineLooks(line_year=[2000.0], line_bad=[1], member_line=[0], member_life=[7])
    with pytest.raises(ModelInputError, match="row 0: member_life is not one of the 2 lives"):
        fit_looks(looks_of([True, False]), line_looks=astray)


def test_looks_that_contradict_each_other_outright_are_left_out_of_the_fit_and_count_as_failed():
    """The whole line bad in 2005, each of its segments good in 2015, and every look the truth."""
    looks = looks_of([False, False, True, False], year=[2015.0, 2015.0, 2000.0, 1980.0])
    line_looks = LineLooks(line_year=[2005.0], line_bad=[1], member_line=[0, 0], member_life=[0, 1])
    fit = fit_looks(looks, line_looks=line_looks)
    assert fit.status == "ok"
    assert fit.excluded_lives.tolist() == [0, 1]
    draws = fit.draws(50, np.random.default_rng(1))
    found = series_chances(
        fit, ONE, ONE, looks, [0, 0, 1, 2], now=2020.0, horizon=5.0, draws=draws, line_looks=line_looks
    )
    np.testing.assert_array_equal(found.line_failed_now.mean[:2], 1.0)
    assert 0.0 < found.line_failed_now.low[2] < found.line_failed_now.high[2] < 1.0


def test_a_certain_bad_look_before_the_pipe_was_laid_leaves_no_rounding_behind():
    # Sure of every bad call, not of good ones: three looks at a pipe not yet laid, one of them bad.
    looks = looks_of(
        [True, False],
        install=2016.0,
        look_life=[0, 0, 0, 1],
        look_year=[1990.0, 2000.0, 2010.0, 2030.0],
        look_bad=[False, True, False, True],
    )
    fit = LifeRegression(ridges=PRIORS, detection=Detection(sensitivity=0.8)).fit(
        ONE, ONE, looks, X_names=["all"], Z_names=["all"]
    )
    assert fit.status == "ok"
    assert fit.excluded_lives.tolist() == [0]
