"""The family is chosen on records held out by group, and the Weibull needs beating."""

import numpy as np
import pytest

from models.errors import ModelInputError
from models.families import FAMILIES
from models.family_choice import choose_family
from models.regression import IntervalRegression

INF = np.inf


def looks(lifetime, rng, oldest=100.0):
    age = rng.uniform(0, oldest, len(lifetime))
    return np.where(lifetime > age, age, 0.0), np.where(lifetime > age, INF, age)


@pytest.mark.parametrize(
    ("truth", "draw"),
    [
        ("log-normal", lambda rng, n: 45 * np.exp(0.6 * rng.normal(size=n))),
        ("gompertz", lambda rng, n: 20 * np.log1p(rng.exponential(size=n) / 0.2)),
        ("weibull", lambda rng, n: 50 * rng.weibull(2.5, n)),
    ],
)
def test_the_true_family_is_found_where_records_can_tell(truth, draw):
    rng = np.random.default_rng(1)
    found = choose_family(None, *looks(draw(rng, 4000), rng), rng=rng, n_folds=5)
    assert found.family == truth
    assert [score.family for score in found.scores] == list(FAMILIES)
    assert found.n_units == 4000
    best = max(found.scores, key=lambda score: score.log_score)
    assert best.behind == 0.0
    # AIC says the same as held-out scores where there are many records (Stone 1977, from memory).
    assert min(found.scores, key=lambda score: score.aic).family == best.family


def test_the_weibull_is_kept_where_records_cannot_tell():
    """All looks are young: every family says H = (t / s)^k there."""
    rng = np.random.default_rng(4)
    lifetime = 45 * np.exp(0.6 * rng.normal(size=250))
    found = choose_family(None, *looks(lifetime, rng, oldest=40.0), rng=rng)
    assert found.family == "weibull"
    weibull = found.scores[0]
    assert 0 < weibull.behind <= weibull.behind_error
    assert "no more than chance, so the weibull is kept" in found.reason


def test_scores_are_those_of_fits_that_did_not_see_the_record():
    """By hand with two groups: each scored by the fit to the other."""
    rng = np.random.default_rng(4)
    left, right = looks(50 * rng.weibull(2.5, 200), rng)
    weight, group = rng.integers(1, 4, 200).astype(float), np.repeat(["north", "south"], 100)
    found = choose_family(
        None, left, right, weight=weight, groups=group, families=["gamma"], n_folds=2, rng=rng
    ).scores[0]
    totals, units = [], []
    for out in (group == "north", group == "south"):
        fit = IntervalRegression("gamma").fit(None, left[~out], right[~out], weight[~out])
        totals.append(weight[out] @ fit.log_scores(None, left[out], right[out]))
        units.append(weight[out].sum())
    mean = sum(totals) / sum(units)
    assert found.log_score == pytest.approx(mean)
    # Ratio of totals over two independent groups: sqrt(2 / 1 · Σ (total - mean · units)²) / Σ units.
    away = np.array(totals) - mean * np.array(units)
    assert found.standard_error == pytest.approx(np.sqrt(2 * (away**2).sum()) / sum(units))


def test_neighbours_are_never_split_between_fit_and_score():
    """Each group has its own scale. Torn apart, an indicator per group would look as good as it is not."""
    rng = np.random.default_rng(5)
    group = np.repeat(np.arange(30), 20)
    left, right = looks(50 * np.exp(rng.normal(0, 0.5, 30))[group] * rng.weibull(3.0, 600), rng)
    x, model = np.eye(30)[group], IntervalRegression(penalty="estimate")
    how = dict(families=["weibull"], rng=rng, model=model, n_folds=5)
    torn = choose_family(x, left, right, **how).scores[0].log_score
    whole = choose_family(x, left, right, groups=group, **how).scores[0].log_score
    assert torn > whole + 0.03


def test_nothing_to_choose_from_is_said():
    rng = np.random.default_rng(6)
    found = choose_family(None, np.full(20, 5.0), np.full(20, INF), rng=rng)
    assert found.family is None
    assert found.reason == (
        "No family could be fitted to every part of these records. "
        "None of 20 was ever seen failed: no curve can be fitted without a prior."
    )
    assert {score.status for score in found.scores} == {"no_failures"}
    assert np.isnan([score.log_score for score in found.scores]).all()


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({"right": [5.0]}, "left has 3 records and right has 1."),
        ({"groups": [1, 2]}, "left has 3 records and groups has shape (2,)."),
        ({"groups": [1, 1, 1]}, "10 folds of 1 groups: at least two of each are needed."),
        ({"n_folds": 1}, "1 folds of 3 groups: at least two of each are needed."),
        ({"families": []}, "no family was given to choose from."),
        ({"families": ["cauchy"]}, "family is 'cauchy'; choose one of"),
        ({"left": [0.0, np.nan, 3.0]}, "row 1: left is not a number."),
    ],
)
def test_impossible_choices_are_told(change, text):
    given = {"left": [0.0, 5.0, 3.0], "right": [4.0, INF, 9.0]} | change
    with pytest.raises(ModelInputError) as caught:
        choose_family(None, rng=np.random.default_rng(1), **given)
    assert str(caught.value).startswith(text)
