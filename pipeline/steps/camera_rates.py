"""How far a camera is to be believed: what the settings say beforehand, and what the records make of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import polars as pl

from models.camera_rates import FittedWithRates, RateBelief, Trial, fit_with_rates
from models.fitted_lives import FittedLives
from models.looks import Detection, FloatArray, IntArray, LifeLooks
from models.repeat_looks import FailedByLooks, RepeatLooks
from pipeline.settings import Settings
from pipeline.steps.fit_design import Design, life_looks
from pipeline.steps.fit_entry import celled, dug_out

#: A pipe called sound and failed so soon after seldom failed in between: one of the two looks erred [years].
SOON_YEARS = 2
STATES = ("failed pipe failed", "sound pipe sound")

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
    covariates : tuple
        X, Z and W of the design.
    group : ndarray or None
        Group of each of its rows, where it has groups.
    """

    looks: LifeLooks
    cells: pl.DataFrame
    entered: pl.DataFrame
    covariates: tuple[FloatArray, FloatArray, FloatArray | None]
    group: IntArray | None

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
    return RepeatInput(
        looks=life_looks(design, lives, ordered),
        cells=ordered.select("material", "band"),
        entered=entered,
        covariates=(design.X, design.Z, design.W),
        group=design.group if design.areas else None,
    )


def fit_believing(
    fit: Fit, beliefs: tuple[RateBelief, RateBelief], make_repeats: Callable[[], RepeatInput]
) -> FittedLives:
    """Fit a design at camera rates that the settings give, or know about and repeat looks inform.

    Parameters
    ----------
    fit : callable
        Fits a design at given rates, near another fit or anew.
    beliefs : tuple of RateBelief
        From `rate_beliefs`.
    make_repeats : callable
        Makes what `repeat_input` makes; called where a rate is uncertain only.

    Returns
    -------
    FittedLives
        Where a rate is uncertain and the fit stands, a `models.camera_rates.FittedWithRates`.
    """
    sensitivity, specificity = beliefs
    if sensitivity.is_certain and specificity.is_certain:
        return fit(Detection(sensitivity=sensitivity.mean, specificity=specificity.mean), None)
    repeats = make_repeats()
    failed = FailedByLooks(repeats.looks)

    def trial(detection: Detection, near: FittedLives | None) -> Trial:
        fitted = fit(detection, near)
        if fitted.status != "ok":
            return Trial(fitted=fitted, failed=np.empty(0), dug_out=np.empty(0))
        chance = failed.under(fitted, *repeats.covariates, repeats.group)
        return Trial(fitted=fitted, failed=chance, dug_out=repeats.dug_out(detection))

    seen = RepeatLooks(repeats.looks.look_life, repeats.looks.look_bad)
    found, _ = fit_with_rates(trial, seen, sensitivity, specificity)
    return found


def camera_columns(fitted: FittedLives, looks: pl.DataFrame) -> dict[str, float | int | str | None]:
    """Return what `outcomes` publishes of the camera.

    Parameters
    ----------
    fitted : FittedLives
        The outcome's fit.
    looks : DataFrame
        Its looks, from `outcome_looks`.
    """
    beliefs, ends = _known_rates(fitted)
    columns: dict[str, float | int | str | None] = {}
    parts = []
    for k, name in enumerate(("sensitivity", "specificity")):
        belief, found = beliefs[k], float(getattr(fitted.detection, name))
        low, high = (None, None) if ends is None or belief.is_certain else ends[k].tolist()
        columns |= {
            name: found,
            f"{name}_lower": low,
            f"{name}_upper": high,
            f"{name}_given": belief.mean,
            f"{name}_given_looks": None if belief.is_certain else belief.looks,
        }
        source = "as the settings say"
        if low is not None and high is not None:
            given = f"the settings say {_per_cent(belief.mean)}, worth {belief.looks:g} looks"
            source = f"{_per_cent(low)} to {_per_cent(high)}; {given}"
        parts.append(f"{_per_cent(found)} of {STATES[k]} ({source})")
    counts = contradictions(looks)
    told = (
        f"Pipes looked at more than once with no works in between: {counts['n_repeat_lives']:,}; called failed and "
        f"later sound: {counts['n_bad_then_good']:,}; called sound and failed within {SOON_YEARS} years: "
        f"{counts['n_good_then_bad']:,}."
    )
    said = "The camera's errors are taken as the settings give them; contradictory looks do not change them."
    if ends is not None:
        said = f"The camera calls {' and '.join(parts)}."
    return columns | counts | {"camera_sentence": f"{said} {told}"}


def contradictions(looks: pl.DataFrame) -> dict[str, int]:
    """Count lives whose camera looks contradict each other, or nearly.

    Parameters
    ----------
    looks : DataFrame
        From `outcome_looks`.

    Returns
    -------
    dict of str to int
        `n_repeat_lives, n_bad_then_good, n_good_then_bad`.
    """
    life = "life_id"
    seen = looks.filter(~pl.col("is_known")).filter(pl.len().over(life) > 1)
    pairs = seen.sort(life, "look_at", "inspection_id").with_columns(
        was_bad=pl.col("is_bad").shift(1).over(life), gap=pl.col("look_at").diff().over(life)
    )
    bad, was_bad = pl.col("is_bad"), pl.col("was_bad")
    soon = pl.col("gap") <= SOON_YEARS
    return {
        "n_repeat_lives": seen[life].n_unique(),
        "n_bad_then_good": pairs.filter(was_bad & ~bad)[life].n_unique(),
        "n_good_then_bad": pairs.filter(~was_bad & bad & soon)[life].n_unique(),
    }


def _known_rates(fitted: FittedLives) -> tuple[tuple[RateBelief, RateBelief], FloatArray | None]:
    """What was believed beforehand, and the ranges found, or None where nothing was to be learnt."""
    if isinstance(fitted, FittedWithRates):
        return fitted.rates.beliefs, fitted.rates.range()
    given = fitted.detection
    return (RateBelief(mean=given.sensitivity), RateBelief(mean=given.specificity)), None


def _per_cent(share: float) -> str:
    return f"{100 * share:.1f}".removesuffix(".0") + " %"
