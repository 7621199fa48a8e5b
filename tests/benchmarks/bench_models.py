"""Time of the fit to looks and of scores."""

import sys
from pathlib import Path

import numpy as np
from measure import line, timed

sys.path.insert(0, str(Path(__file__).parents[2]))

from models.lives import Detection, LifeLooks, LifeRegression, Ridge
from models.series import series_chances


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
    ridges = [Ridge(terms=tuple(f"{part}: {name}" for name in names)) for part in ("hazard", "shape")]
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
    looks_and_scores(100_000)
    looks_and_scores(1_000_000)
