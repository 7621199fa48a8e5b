"""Time of the survival estimates beside lifelines (and surpyval where installed), in one run.

Inputs: simulated Weibull lives, shape 3, scale 60 years times exp(.3, -.2, .1 · three binary covariates);
inspected at a uniform age of 1 to 100 years, 30 % of those still sound again 1 to 15 years later.
"""

import importlib.util
import resource
import sys
import time
import warnings
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[2]))

from models.bands import likelihood_ratio_band
from models.lives import Detection, LifeLooks, LifeRegression, Ridge
from models.npmle import NPMLE
from models.regression import IntervalRegression
from models.series import series_chances


def simulate(n, *, whole, second=True):
    rng = np.random.default_rng(3)
    x = rng.integers(0, 2, (n, 3)).astype(float)
    lifetime = 60 * np.exp(x @ np.array([0.3, -0.2, 0.1])) * rng.weibull(3.0, n)
    first = rng.uniform(1, 100, n)
    again = first + rng.uniform(1, 15, n)
    if whole:
        first, again = np.round(first), np.maximum(np.round(again), np.round(first) + 1)
    twice = (rng.random(n) < 0.3) & second & (lifetime > first)
    left = np.where(lifetime > first, first, 0.0)
    right = np.where(lifetime > first, np.inf, first)
    left = np.where(twice & (lifetime > again), again, left)
    right = np.where(twice & (lifetime <= again), again, right)
    return x, left, right


def timed(work, *, repeats=3):
    """Best time of a few and the last result; warnings of other programs are not ours to show."""
    best = np.inf
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for _ in range(repeats):
            start = time.perf_counter()
            result = work()
            best = min(best, time.perf_counter() - start)
    return best, result


def line(what, seconds, note=""):
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{what:<64} {seconds * 1000:>11.1f} ms  {peak:>7.0f} MiB peak so far  {note}", flush=True)  # noqa: T201


def curves():
    from lifelines import KaplanMeierFitter

    for n, whole in (
        (10_000, True),
        (10_000, False),
        (100_000, False),
        (1_000_000, True),
        (1_000_000, False),
    ):
        _, left, right = simulate(n, whole=whole)
        kind = "whole-year" if whole else "real-valued"
        ours, curve = timed(lambda left=left, right=right: NPMLE().fit(left, right))
        line(
            f"curve, {n:,} records, {kind} ages",
            ours,
            f"log-likelihood {curve.log_likelihood_:.4f}, gap {curve.kkt_gap_:.0e}",
        )
        if n == 10_000 and whole:
            # lifelines takes closed intervals: (L, R] is [L + a little, R].
            other, fitted = timed(
                lambda left=left, right=right: KaplanMeierFitter().fit_interval_censoring(left + 1e-5, right),
                repeats=1,
            )
            lower = fitted.survival_function_.iloc[:, 0]
            line("  lifelines, the same", other, f"{other / ours:,.0f} times ours; {len(lower)} steps")
        if importlib.util.find_spec("surpyval"):
            other = surpyval_curve(left, right)
            line("  surpyval, the same", other, f"{other / ours:.1f} times ours")


def surpyval_curve(left, right):
    import surpyval

    xl, xr = np.where(left > 0, left, -np.inf), right
    return timed(lambda: surpyval.Turnbull.fit(xl=xl, xr=xr, turnbull_estimator="Kaplan-Meier"), repeats=1)[0]


def regressions():
    from lifelines import WeibullAFTFitter

    for n, whole in ((10_000, True), (100_000, False), (1_000_000, True), (1_000_000, False)):
        x, left, right = simulate(n, whole=whole)
        kind = "whole-year" if whole else "real-valued"
        ours, fit = timed(lambda x=x, left=left, right=right: IntervalRegression().fit(x, left, right))
        line(f"Weibull regression, {n:,} records, 3 covariates, {kind} ages", ours, fit.status_)
        if n <= 100_000:
            frame = pd.DataFrame(x, columns=["a", "b", "c"]).assign(left=left, right=right)
            other, fitted = timed(
                lambda frame=frame: WeibullAFTFitter().fit_interval_censoring(frame, "left", "right"),
                repeats=1,
            )
            theirs = fitted.params_["lambda_"][["Intercept", "a", "b", "c"]].to_numpy()
            apart = np.abs(theirs - fit.parameters_[:4]).max()
            line(
                "  lifelines, the same",
                other,
                f"{other / ours:,.0f} times ours; parameters apart {apart:.0e}",
            )


def bands():
    _, left, right = simulate(1_000_000, whole=True, second=False)
    failed = right < np.inf
    age = np.where(failed, right, left)
    at = np.arange(1.0, 101.0)
    seconds, _ = timed(lambda: likelihood_ratio_band(age, np.ones(len(age)), failed, at))
    line("band at 100 ages, 1,000,000 looks", seconds)


def looks_and_scores(n):
    rng = np.random.default_rng(5)
    size = rng.integers(1, 4, n)
    start, line_of = np.cumsum(size) - size, np.repeat(np.arange(n), size)
    m = len(line_of)
    rows = np.array(np.meshgrid(range(6), range(4), range(4), range(2), range(2))).reshape(5, -1)
    X = np.hstack((np.ones((rows.shape[1], 1)), np.eye(6)[rows[0]], rows[1:].T / 4.0))
    Z = np.hstack((np.ones((rows.shape[1], 1)), np.eye(6)[rows[0]]))
    names = [f"m{i}" for i in range(6)]
    row = rng.integers(0, rows.shape[1], m)
    laid = np.repeat(rng.integers(1910, 2015, n), size).astype(float)
    width = np.repeat(np.where(rng.random(n) < 0.3, 10.0, 0.0), size)
    lifetime = np.exp(4.1 + 0.1 * rows[0][row]) * rng.weibull(3.0, m)
    looked = rng.permutation(n)[: n // 5]
    year = rng.integers(2000, 2025, len(looked)) + rng.integers(0, 4, len(looked)) / 4
    life = np.concatenate([start[looked][size[looked] > k] + k for k in range(3)])
    when = np.concatenate([year[size[looked] > k] for k in range(3)])
    bad = when - laid[life] > lifetime[life]
    looks = LifeLooks(
        candidate_life=np.arange(m),
        candidate_row=row,
        candidate_probability=np.ones(m),
        install_min=laid,
        install_max=np.minimum(laid + width, 2020.0),
        look_life=life,
        look_year=when,
        look_bad=np.where(bad, rng.random(len(bad)) < 0.85, rng.random(len(bad)) < 0.03),
    )
    ridges = [Ridge(terms=tuple(f"{part}: {name}" for name in names)) for part in ("scale", "shape")]
    model = LifeRegression(ridges=ridges, detection=Detection(sensitivity=0.85, specificity=0.97))
    X_names = ["all", *names, "era", "depth", "soil", "tree"]
    seconds, fit = timed(lambda: model.fit(X, Z, looks, X_names=X_names, Z_names=["all", *names]), repeats=1)
    line(f"fit to looks, {n:,} lots, {len(life):,} looks at segments", seconds, fit.status)
    draws = fit.draws(200, rng)
    seconds, _ = timed(
        lambda: series_chances(
            fit, X, Z, looks, line_of, now=2026.0, horizon=10.0, draws=draws, keep_draws=True
        ),
        repeats=1,
    )
    line(f"score {n:,} lots, now and in 10 years, 200 draws", seconds)


if __name__ == "__main__":
    NPMLE().fit([0, 5, 5], [5, 9, np.inf])
    IntervalRegression().fit(None, [0, 5, 5, 0, 9], [5, 9, np.inf, 8, np.inf])
    curves()
    regressions()
    bands()
    looks_and_scores(100_000)
    looks_and_scores(1_000_000)
