"""Time of the regression on intervals beside lifelines and surpyval, in one run; inputs of `measure.simulate`.

Target: 1,000,000 records with 3 covariates in 0.6 s, ten times faster than R's survreg (5.9 to 6.5 s on such a
machine, not run here), and so than surpyval (6.8 s); the same parameters to 4 digits.
"""

import sys
from pathlib import Path

import numpy as np
import pandas as pd
from measure import line, simulate, timed

sys.path.insert(0, str(Path(__file__).parents[2]))

from models.families import FAMILIES
from models.profile import chance_intervals
from models.regression import IntervalRegression

#: lifelines is left out beyond this: a minute's wait would say nothing new.
LARGEST_FOR_LIFELINES = 100_000


def weibull(n, *, whole):
    x, left, right = simulate(n, whole=whole)
    kind = "whole-year" if whole else "real-valued"
    ours, fit = timed(lambda: IntervalRegression().fit(x, left, right))
    line(f"Weibull regression, {n:,} records, 3 covariates, {kind} ages", ours, fit.status_)
    others = {"surpyval": surpyval_regression}
    if n <= LARGEST_FOR_LIFELINES:
        others["lifelines"] = lifelines_regression
    for name, run in others.items():
        seconds, (theirs, reached) = timed(lambda run=run: run(x, left, right), repeats=1)
        apart = np.abs(theirs - fit.parameters_[:4]).max()
        line(
            f"  {name}, the same",
            seconds,
            f"{seconds / ours:,.0f} times ours; parameters apart {apart:.0e}, "
            f"log-likelihood less ours {reached - fit.log_likelihood_:.0e}",
        )


def lifelines_regression(x, left, right):
    """Intercept and coefficients of log scale, and the log-likelihood."""
    from lifelines import WeibullAFTFitter

    frame = pd.DataFrame(x, columns=["a", "b", "c"]).assign(left=left, right=right)
    fitted = WeibullAFTFitter().fit_interval_censoring(frame, "left", "right")
    return fitted.params_["lambda_"][["Intercept", "a", "b", "c"]].to_numpy(), fitted.log_likelihood_


def surpyval_regression(x, left, right):
    """The same; its coefficients have the other sign."""
    import surpyval

    kind = np.where(np.isinf(right), 1, np.where(left == 0, -1, 2))
    ends = np.stack((np.where(kind == -1, right, left), np.where(kind == 1, left, right)), axis=1)
    fitted = surpyval.WeibullAFT.fit(ends, x, c=kind)
    return np.concatenate(([np.log(fitted.params[0])], -fitted.params[2:5])), -fitted.neg_ll()


def other_families(n):
    x, left, right = simulate(n, whole=False)
    for family in FAMILIES[1:]:
        seconds, fit = timed(lambda family=family: IntervalRegression(family).fit(x, left, right), repeats=1)
        line(f"{family} regression, {n:,} records, 3 covariates", seconds, fit.status_)
    fit = IntervalRegression().fit(x, left, right)
    seconds, _ = timed(lambda: chance_intervals(fit, [30.0, 60.0], x[:2]), repeats=1)
    line(f"likelihood intervals of 2 chances, {n:,} records", seconds)


if __name__ == "__main__":
    IntervalRegression().fit(None, [0, 5, 5, 0, 9], [5, 9, np.inf, 8, np.inf])
    for n, whole in ((10_000, True), (100_000, False), (1_000_000, True), (1_000_000, False)):
        weibull(n, whole=whole)
    other_families(100_000)
