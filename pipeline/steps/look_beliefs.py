"""How far the looks that tell of places are believed, and which of them count."""

from __future__ import annotations

import polars as pl

from models.bias import known_failure_sensitivity
from pipeline.steps.fit_entry import BAND_YEARS, dug_out
from pipeline.steps.fit_input import ENDED, Exposure
from pipeline.steps.fit_regression import OutcomeFit


def believed_looks(fit: OutcomeFit, exposure: Exposure, chosen: pl.DataFrame) -> pl.DataFrame:
    """Add to chosen looks how far each is believed, and whether it counts.

    Parameters
    ----------
    fit : OutcomeFit
    exposure : Exposure
    chosen : DataFrame
        From `fit_areas.chosen_looks`.

    Returns
    -------
    DataFrame
        The same rows with `sensitivity` and `counts`.

    Notes
    -----
    What was dug out counts as bad, so a look is believed as it was in the fit: see
    `models.bias.known_failure_sensitivity`. Where the first pipe of a segment was dug out its lot is bad by that,
    and what came after adds nothing: to count it would expect more of lots with works than of others.
    """
    lives = exposure.lives.select(
        "life_id",
        "sequence",
        "life_number",
        "material",
        middle=(pl.col("install_from") + pl.col("install_to")) / 2,
    )
    placed = chosen.join(lives, on="life_id", how="left", maintain_order="left").with_columns(
        band=_band(pl.col("look_at") - pl.col("middle"))
    )
    dug_out = (
        placed.filter(pl.col("basis") == ENDED)
        .group_by("lot_id", "sequence")
        .agg(dug_out=pl.col("life_number").min())
    )
    camera = pl.lit(fit.fitted.detection.sensitivity)
    return (
        placed.join(_cells(fit, exposure), on=["material", "band"], how="left", maintain_order="left")
        .join(dug_out, on=["lot_id", "sequence"], how="left", maintain_order="left")
        .select(
            *chosen.columns,
            sensitivity=pl.col("sensitivity").fill_null(camera),
            counts=(pl.col("life_number") <= pl.col("dug_out")).fill_null(True),
        )
    )


def _cells(fit: OutcomeFit, exposure: Exposure) -> pl.DataFrame:
    """Sensitivity by material and age band, what was dug out counted in."""
    detection = fit.fitted.detection
    seen = fit.looks.join(exposure.lives.select("life_id", "material"), on="life_id").with_columns(
        band=_band(pl.col("age")), weight=pl.lit(1.0)
    )
    cells = dug_out(seen, detection)
    sensitivity = known_failure_sensitivity(cells["dug_out"].to_numpy(), detection)
    return cells.select("material", "band", sensitivity=pl.Series(sensitivity))


def _band(age: pl.Expr) -> pl.Expr:
    return (age.clip(0) / BAND_YEARS).floor()
