"""Known truth: with the camera's rates drawn from their prior, ranges of rates and curve hold the truth as often as they say."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from models.camera_rates import FittedWithRates, RateBelief, Trial, fit_with_rates
from models.fitted_lives import FittedLives
from models.lives import Detection, LifeLooks, LifeRegression, Ridge, single_candidates
from models.looks import FloatArray
from models.repeat_looks import FailedByLooks, RepeatLooks
from pipeline.settings import DetectionRates
from pipeline.steps.expose import expose
from pipeline.steps.fit_input import read_exposure
from pipeline.steps.fit_regression import fit_outcome
from pipeline.vocabulary import Outcome
from pipeline.warehouse import open_warehouse
from tests.towns import distances, load_town, true_chances

#: Weibull with half failed by about 50 years; no use of the code under test.
SCALE, SHAPE = 60.0, 2.0
PRIORS = (Ridge(terms=("hazard: all",), sd=1.0, mean=-0.8), Ridge(terms=("shape: all",), sd=0.4, mean=0.7))
ONE = np.ones((1, 1))
SENSITIVITY, SPECIFICITY = RateBelief(mean=0.8, looks=40.0), RateBelief(mean=0.93, looks=40.0)
AGES = np.array([30.0, 60.0])
N_TOWNS, N_LIVES, LEVEL = 200, 1200, 0.90


def town(rng: np.random.Generator) -> tuple[LifeLooks, FloatArray]:
    """Looks at lives, some of them looked at again, by a camera whose rates are drawn from the prior."""
    rates = np.array([rng.beta(0.8 * 40, 0.2 * 40), rng.beta(0.93 * 40, 0.07 * 40)])
    age_at_failure = SCALE * rng.weibull(SHAPE, N_LIVES)
    count = rng.choice([1, 2, 3], N_LIVES, p=[0.6, 0.3, 0.1])
    life = np.repeat(np.arange(N_LIVES), count)
    again = np.concatenate(([False], life[1:] == life[:-1]))
    gap = np.where(again, rng.uniform(0.5, 8.0, len(life)), rng.uniform(2.0, 80.0, len(life)))
    total = np.cumsum(gap)
    first = np.flatnonzero(~again)
    ages = np.ceil(2 * (total - np.repeat(total[first] - gap[first], count))) / 2
    failed = age_at_failure[life] <= ages
    bad = np.where(failed, rng.random(len(life)) < rates[0], rng.random(len(life)) > rates[1])
    of_life, row, probability = single_candidates(np.zeros(N_LIVES, dtype=np.int64))
    looks = LifeLooks(
        candidate_life=of_life,
        candidate_row=row,
        candidate_probability=probability,
        install_min=np.zeros(N_LIVES),
        install_max=np.zeros(N_LIVES),
        look_life=life,
        look_year=ages,
        look_bad=bad,
    )
    return looks, rates


def fit_at(looks: LifeLooks, detection: Detection, near: FittedLives | None = None) -> FittedLives:
    return LifeRegression(ridges=PRIORS, detection=detection).fit(
        ONE, ONE, looks, X_names=["all"], Z_names=["all"], near=near
    )


def curve_range(fitted: FittedLives, rng: np.random.Generator) -> FloatArray:
    draws = fitted.draws(500, rng)
    by_age = [fitted.failure_probability(age, ONE, ONE, draws=draws)[:, 0] for age in AGES]
    tail = (1 - LEVEL) / 2
    ends: FloatArray = np.quantile(np.array(by_age), [tail, 1 - tail], axis=1).T
    return ends


@pytest.mark.slow
def test_ranges_hold_rates_and_curve_as_often_as_they_say(capsys: pytest.CaptureFixture[str]) -> None:
    truth = 1 - np.exp(-((AGES / SCALE) ** SHAPE))
    rows = []
    for seed in range(N_TOWNS):
        rng = np.random.default_rng([20, seed])
        looks, rates = town(rng)

        def trial(detection: Detection, near: FittedLives | None, looks: LifeLooks = looks) -> Trial:
            fitted = fit_at(looks, detection, near)
            return Trial(
                fitted=fitted,
                failed=FailedByLooks(looks).under(fitted, ONE, ONE, None),
                dug_out=np.zeros(looks.n_looks),
            )

        fitted, found = fit_with_rates(
            trial, RepeatLooks(looks.look_life, looks.look_bad), SENSITIVITY, SPECIFICITY
        )
        assert isinstance(fitted, FittedWithRates)
        fixed = fit_at(looks, Detection(sensitivity=SENSITIVITY.mean, specificity=SPECIFICITY.mean))
        ends = np.vstack((found.range(LEVEL), curve_range(fitted, rng), curve_range(fixed, rng)))
        middle = [*found.moments()[0]]
        middle += [
            float(fit.failure_probability(age, ONE, ONE)[0]) for fit in (fitted, fixed) for age in AGES
        ]
        names = [
            "sensitivity",
            "specificity",
            *(f"{how} {age:.0f}" for how in ("learnt", "fixed") for age in AGES),
        ]
        for name, true, (low, high), at in zip(names, [*rates, *truth, *truth], ends, middle, strict=True):
            rows.append(
                {"name": name, "inside": low <= true <= high, "error": at - true, "width": high - low}
            )
    table = (
        pl.DataFrame(rows)
        .group_by("name", maintain_order=True)
        .agg(
            covered=pl.col("inside").mean(),
            bias=pl.col("error").mean(),
            root_mean_square=(pl.col("error") ** 2).mean().sqrt(),
            width=pl.col("width").mean(),
        )
    )
    with capsys.disabled(), pl.Config(tbl_rows=20, tbl_width_chars=100):
        print(table)  # noqa: T201 - the table is the finding
    covered = dict(table.select("name", "covered").iter_rows())
    error = dict(table.select("name", "root_mean_square").iter_rows())
    # Of 200 towns a true 90 % has a standard error of 2.1 %: three of them.
    for name in ("sensitivity", "specificity", "learnt 30", "learnt 60"):
        assert 0.835 <= covered[name] <= 0.965, name
    # What repeat looks add: 40 looks alone leave standard deviations of 0.062 and 0.040.
    assert error["sensitivity"] < 0.8 * 0.062
    assert error["specificity"] < 0.8 * 0.040
    # Rates taken for certain that are not: ranges hold the truth far less often.
    assert min(covered["fixed 30"], covered["fixed 60"]) < 0.75
    assert error["learnt 30"] < error["fixed 30"]


#: A user's guess that is off: the invented cameras have 0.80 and 0.93 to 0.99.
GUESS = (0.70, 0.90)
GUESSES = {
    "true, as given": None,
    "guess, as given": DetectionRates(*GUESS),
    "guess, worth 40 looks": DetectionRates(*GUESS, 40.0, 40.0),
}


@pytest.mark.slow
def test_a_wrong_guess_is_put_right_by_repeat_looks(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    curves, rates = [], []
    for seed in (11, 12):
        workspace, settings = load_town(tmp_path / str(seed), seed, n_lots=12_000)
        truth = true_chances(tmp_path / str(seed))
        true_rates = {
            name: DetectionRates(given.sensitivity, given.specificity)
            for name, given in settings.detection.items()
        }
        with open_warehouse(workspace) as warehouse:
            expose(warehouse, settings)
            for outcome in (Outcome.STRUCTURAL.value, Outcome.ANY.value):
                for name, guess in GUESSES.items():
                    used = replace(
                        settings,
                        detection=true_rates if guess is None else dict.fromkeys(settings.detection, guess),
                    )
                    apart = distances(warehouse, used, outcome, truth)
                    curves.append(apart.with_columns(rates=pl.lit(name), outcome=pl.lit(outcome)))
                fit = fit_outcome(read_exposure(warehouse, used), outcome, used, np.random.default_rng(1))
                assert isinstance(fit.fitted, FittedWithRates)
                known = true_rates[outcome]
                for rate, (low, high), true in zip(
                    fit.fitted.rates.moments()[0],
                    fit.fitted.rates.range(),
                    (known.sensitivity, known.specificity),
                    strict=True,
                ):
                    rates.append(
                        {"outcome": outcome, "true": true, "found": rate, "lower": low, "upper": high}
                    )
    found = pl.DataFrame(rates)
    table = (
        pl.concat(curves)
        .group_by("rates", "outcome", maintain_order=True)
        .agg(
            bias=pl.col("distance").mean(),
            root_mean_square=(pl.col("distance") ** 2).mean().sqrt(),
            inside=(pl.col("distance").abs() <= pl.col("half_width")).mean(),
        )
    )
    with capsys.disabled(), pl.Config(tbl_rows=20, tbl_width_chars=120):
        print(found, table)  # noqa: T201 - the tables are the finding
    # Eight ranges of 95 %: one may miss by chance; the guess is 0.10 and 0.03 to 0.07 off.
    is_inside = pl.col("true").is_between(pl.col("lower"), pl.col("upper"))
    assert found.filter(~is_inside).height <= 1
    assert np.abs(found["found"].to_numpy() - found["true"].to_numpy()).max() < 0.04
    apart_by = {(how, what): rms for how, what, _, rms, _ in table.iter_rows()}
    for outcome in (Outcome.STRUCTURAL.value, Outcome.ANY.value):
        assert apart_by["guess, worth 40 looks", outcome] < 1.15 * apart_by["true, as given", outcome]
        assert apart_by["guess, as given", outcome] > 1.1 * apart_by["guess, worth 40 looks", outcome]
