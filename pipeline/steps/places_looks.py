"""What each lot's newest fair look showed, what was to be expected of it, and where and when that was.

Expected from material, era, depth, soil and tree at the age of the look; never from places, or a hot spot
would explain itself away. One row per lot: to look again at the same pipe is no new evidence.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from models.area_hazards import CallBounds
from models.log_odds import shift_of_log_odds, shifted_log_odds
from models.looks import FloatArray, IntArray
from pipeline.steps.fit_areas import chosen_looks, expected_parts
from pipeline.steps.fit_input import ENDED, Exposure
from pipeline.steps.fit_regression import OutcomeFit

#: Parameter draws behind the range of what was expected; more add no digit.
EXPECTED_DRAWS = 40
#: Chances nearer than this to 0 or 1 say that a failure is impossible or sure, which no model knows.
NEAREST = 1e-4


@dataclass(frozen=True, slots=True)
class LotLooks:
    """Lots with a judged, unselected look.

    Attributes
    ----------
    lots : DataFrame
        One row per lot, sorted by it: `lot_id, is_bad, expected, lowest, highest, years_ago, inspection_id, x_ft,
        y_ft, block, subdivision` (places NULL where not on record). Lowest and highest is the chance of a bad look
        were nothing, or everything, to fail with age.
    draws : ndarray, shape (n_draws, n_lots)
        `expected` of each parameter draw.
    """

    lots: pl.DataFrame
    draws: FloatArray

    @property
    def bounds(self) -> CallBounds:
        """What looks show whatever the hazard."""
        return CallBounds(lowest=self.lots["lowest"].to_numpy(), highest=self.lots["highest"].to_numpy())

    def only(self, kept: pl.Expr) -> LotLooks:
        """Return the lots for which an expression holds."""
        rows = self.lots.select(kept.fill_null(False).alias("kept"))["kept"].to_numpy()
        return LotLooks(self.lots.filter(pl.Series(rows)), self.draws[:, rows])


def lot_looks(fit: OutcomeFit, exposure: Exposure, lots: pl.DataFrame) -> LotLooks:
    """Collect the looks of all lots.

    Parameters
    ----------
    fit : OutcomeFit
        One that is ok, without any local term.
    exposure : Exposure
    lots : DataFrame
        Placed lots: `lot_id, x_ft, y_ft, block, subdivision`.
    """
    return _described(fit, exposure, lots, chosen_looks(fit, exposure))


def every_look(
    fit: OutcomeFit, exposure: Exposure, lots: pl.DataFrame, selected: pl.DataFrame
) -> LotLooks | None:
    """Collect the looks of all lots whatever they were made for, each reason with an offset of its own.

    Parameters
    ----------
    fit, exposure, lots
        As for `lot_looks`.
    selected : DataFrame
        `inspection_id, purpose` of inspections made because of a failure.

    Returns
    -------
    LotLooks or None
        `expected` allows for how much more often a look finds something that was made because of a failure: one
        shift of the log odds for each such purpose, under which as many of its looks are bad as were. None where no
        look was made for such a reason.
    """
    looks = _described(fit, exposure, lots, chosen_looks(fit, exposure, with_selected=True))
    named = looks.lots.join(selected, on="inspection_id", how="left", maintain_order="left")
    if named["purpose"].null_count() == named.height:
        return None
    shift = np.zeros(named.height)
    for purpose in named["purpose"].drop_nulls().unique().sort():
        rows = named.select((pl.col("purpose") == purpose).fill_null(False)).to_series()
        shift[rows.to_numpy()] = shift_of_log_odds(
            named.filter(rows)["expected"], named.filter(rows)["is_bad"].cast(pl.Float64)
        )
    moved = looks.lots.with_columns(
        pl.Series(name, shifted_log_odds(looks.lots[name], shift))
        for name in ("expected", "lowest", "highest")
    ).with_columns(pl.col("expected").clip(NEAREST, 1 - NEAREST))
    return LotLooks(moved, _inside(shifted_log_odds(looks.draws, shift)))


def _described(fit: OutcomeFit, exposure: Exposure, lots: pl.DataFrame, chosen: pl.DataFrame) -> LotLooks:
    """Say what was expected of chosen looks, and where and when they were made."""
    parts = expected_parts(fit, exposure, chosen)
    step = max(len(fit.draws) // EXPECTED_DRAWS, 1)
    draws = np.stack([parts.expected(draw) for draw in fit.draws[::step][:EXPECTED_DRAWS]])
    newest = (
        chosen.filter(pl.col("basis") != ENDED)
        .group_by("lot_id")
        .agg(pl.col("inspection_id").first(), years_ago=-pl.col("look_at").max())
    )
    bounds = parts.bounds()
    known = (
        parts.lots.with_columns(
            expected=pl.Series(_inside(parts.expected(None))),
            # A look that may be older than the pipe expects even less than one at pipe just laid.
            lowest=pl.Series(np.minimum(bounds.lowest, parts.expected(None))),
            highest=pl.Series(bounds.highest),
        )
        .join(newest, on="lot_id", how="left", maintain_order="left")
        .join(
            lots.select("lot_id", "x_ft", "y_ft", "block", "subdivision"),
            on="lot_id",
            how="left",
            maintain_order="left",
        )
    )
    return LotLooks(known, _inside(draws))


def _inside(chance: FloatArray) -> FloatArray:
    return np.clip(chance, NEAREST, 1 - NEAREST)


def numbered(names: pl.Series) -> tuple[IntArray, list[str]]:
    """Number areas in the order of their names; -1 for none."""
    known = names.drop_nulls().unique().sort()
    number = names.to_frame("name").join(
        known.to_frame("name").with_row_index("number"), on="name", how="left", maintain_order="left"
    )
    return number["number"].cast(pl.Int64).fill_null(-1).to_numpy(), known.to_list()
