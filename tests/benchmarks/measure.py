"""Records to measure with, and how a measurement is taken and printed."""

import resource
import time
import warnings

import numpy as np


def simulate(n, *, whole, second=True):
    """Weibull lives, shape 3, scale 60 years times exp(.3, -.2, .1 · three binary covariates).

    Inspected at a uniform age of 1 to 100 years, 30 % of those still sound again 1 to 15 years later.
    """
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
