"""How far a camera is to be believed: what the settings say beforehand, and what the records make of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import polars as pl

from models.camera_rates import RateBelief, RatesPosterior, Trial, fit_with_rates
from models.fitted_lives import FittedLives
from models.looks import Detection, FloatArray, LifeLooks
from models.repeat_looks import RepeatLooks, failed_by_looks
from pipeline.settings import Settings
from pipeline.steps.fit_design import Design, life_looks
from pipeline.steps.fit_entry import celled, dug_out

Fit = Callable[[Detection, FittedLives | None], FittedLives]


def rate_beliefs(settings: Settings, outcome: str) -> tuple[RateBelief, RateBelief]:
    """Return what the settings say of an outcome's sensitivity and specificity, and how sure they are."""
    rates = settings.detection[outcome]

    def belief(mean: float, looks: float | None) -> RateBelief:
        return RateBelief(mean=mean) if looks is None else RateBelief(mean=mean, looks=looks)

    return (
        belief(rates.sensitivity, rates.sensitivity_looks),
        belief(rates.specificity, rates.specificity_looks),
    )


@dataclass(frozen=True, slots=True)
class RepeatInput:
    """Camera looks at pipe that was looked at more than once while it lay in the ground.

    Attributes
    ----------
    looks : LifeLooks
        Lives with at least two looks, and their looks in order of time.
    cells : DataFrame
        `material, band` of each look.
    entered : DataFrame
        All looks of the fit, from `enter_lives`: they tell how many failed pipes had been dug out.
    """

    looks: LifeLooks
    cells: pl.DataFrame
    entered: pl.DataFrame

    def dug_out(self, detection: Detection) -> FloatArray:
        """Share of failed pipe that had been dug out, for each look."""
        cells = dug_out(self.entered, detection)
        of_look = self.cells.join(cells, on=["material", "band"], how="left", maintain_order="left")
        share: FloatArray = of_look["dug_out"].to_numpy()
        return share


def repeat_input(
    design: Design, looked: pl.DataFrame, looks: pl.DataFrame, entered: pl.DataFrame
) -> RepeatInput:
    """Gather repeat looks.

    Parameters
    ----------
    design : Design
        Whose rows the lives point to.
    looked, looks : DataFrame
        Lives of a fit, and its looks from `outcome_looks`. What works tell is no look of a camera; works that
        replace pipe begin another life, and looks after a repair say nothing of what was there before.
    entered : DataFrame
        From `enter_lives`.
    """
    seen = celled(looks.filter(~pl.col("is_known")), looked).filter(pl.len().over("life_id") > 1)
    lives = looked.join(seen, on="life_id", how="semi").sort("life_id").with_row_index("life")
    ordered = (
        seen.join(lives.select("life_id", "life"), on="life_id")
        .with_columns(sensitivity=pl.lit(1.0))
        .sort("life", "look_at", "is_bad")
    )
    return RepeatInput(life_looks(design, lives, ordered), ordered.select("material", "band"), entered)


def fit_believing(
    fit: Fit, design: Design, repeats: RepeatInput, beliefs: tuple[RateBelief, RateBelief]
) -> tuple[FittedLives, RatesPosterior]:
    """Fit a design at camera rates that the settings give, or know about and the repeat looks inform.

    Parameters
    ----------
    fit : callable
        Fits the design at given rates, near another fit or anew.
    design : Design
        What is fitted.
    repeats : RepeatInput
        From `repeat_input`.
    beliefs : tuple of RateBelief
        From `rate_beliefs`.
    """
    is_certain = all(belief.is_certain for belief in beliefs)
    nothing = np.empty(0)

    def trial(detection: Detection, near: FittedLives | None) -> Trial:
        fitted = fit(detection, near)
        if is_certain or fitted.status != "ok" or repeats.looks.n_looks == 0:
            return Trial(fitted=fitted, failed=nothing, dug_out=nothing)
        group = design.group if design.areas else None
        failed = failed_by_looks(fitted, design.X, design.Z, design.W, repeats.looks, group)
        return Trial(fitted=fitted, failed=failed, dug_out=repeats.dug_out(detection))

    seen = RepeatLooks(repeats.looks.look_life, repeats.looks.look_bad)
    return fit_with_rates(trial, seen, *beliefs)
