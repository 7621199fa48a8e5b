"""How much wider ranges must be because lots of one subdivision are alike.

Houses of a subdivision were built together, by one builder, in one soil: their laterals fail alike for
reasons that no column names. A fit that takes them as independent promises more than it can keep.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import polars as pl

from models.lives import FittedLives, Ridge
from models.looks import FloatArray, IntArray, LifeLooks, LineLooks
from pipeline.steps.fit_design import Design, fit_design

#: Groups of subdivisions that are left out in turn.
GROUPS = 10
#: Fewer subdivisions than this per group cannot tell how much they differ.
LEAST_PER_GROUP = 2

#: Coefficients to log cumulative hazards at the ages of interest, shape (n,).
Hazards = Callable[[FittedLives], FloatArray]


def group_lives(lives: pl.DataFrame) -> IntArray | None:
    """Deal subdivisions into groups of like size; None where there are too few.

    Parameters
    ----------
    lives : DataFrame
        `life, subdivision`, in order of life.

    Returns
    -------
    ndarray of int, shape (n_lives,), or None
        Group of each life; -1 for lots of no subdivision, which are never left out.
    """
    sizes = (
        lives.filter(pl.col("subdivision").is_not_null())
        .group_by("subdivision")
        .len("n")
        .sort("n", "subdivision", descending=[True, False])
    )
    if sizes.height < GROUPS * LEAST_PER_GROUP:
        return None
    dealt = sizes.with_row_index("rank").select("subdivision", group=(pl.col("rank") % GROUPS).cast(pl.Int64))
    grouped = lives.join(dealt, on="subdivision", how="left", maintain_order="left")
    return grouped["group"].fill_null(-1).to_numpy()


def variance_factor(
    fitted: FittedLives,
    design: Design,
    looks: LifeLooks,
    lines: LineLooks | None,
    group: IntArray,
    *,
    hazards: Hazards,
    drawn_variance: FloatArray,
) -> float:
    """Return by how much the variance of fitted hazards exceeds what independent lots would give.

    Parameters
    ----------
    fitted : FittedLives
        The fit of everything.
    design, looks, lines
        What it was fitted to.
    group : ndarray of int, shape (n_lives,)
        From `group_lives`.
    hazards : callable
        Log cumulative hazards at the ages of interest.
    drawn_variance : ndarray, shape (n,)
        Their variance over parameter draws, lots taken as independent.

    Returns
    -------
    float
        1 or more.

    Notes
    -----
    Delete-a-group jackknife (P. S. Kott, 2001, Journal of Official Statistics 17, 521-526; from memory):
    the variance is (G - 1) / G times the sum of squared deviations of the G fits that leave one group out.
    One factor is taken for all, the mean over materials and ages, because each by itself is a variance
    from few groups.
    """
    ridges = tuple(
        Ridge(terms=r.terms, mean=r.mean, sd=float(fitted.prior_sd[fitted.names.index(r.terms[0])]))
        for r in design.ridges
    )
    found = []
    for left_out in range(GROUPS):
        part = replace(looks, weight=np.where(group == left_out, 0.0, looks.weight))
        refit = fit_design(design, part, lines, detection=fitted.detection, ridges=ridges, start=fitted.coef)
        if refit.status == "ok":
            found.append(hazards(refit))
    if len(found) < GROUPS:
        return 1.0
    spread = np.asarray(found)
    jackknife = (GROUPS - 1) / GROUPS * ((spread - spread.mean(axis=0)) ** 2).sum(axis=0)
    # Over ratios, not sums: sums would be those of the materials that hardly any record speaks of.
    return float(max((jackknife / drawn_variance).mean(), 1.0))
