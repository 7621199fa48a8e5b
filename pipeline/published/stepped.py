"""The stepped curve of some looks: the one way in which a build, and a page that narrows its looks down, draw it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.bands import Band, likelihood_ratio_band
from models.npmle import NPMLE
from models.smoothed import smooth_curve
from pipeline.published import contract
from pipeline.vocabulary import Material

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Counted:
    """Lives by what their looks say, ages in whole years.

    Attributes
    ----------
    left, right : ndarray, shape (k,)
        Age last seen sound and first seen failed, (left, right]; 0 and infinite where it never was.
    n_lives : ndarray, shape (k,)
        Lives of which that is known.
    """

    left: FloatArray
    right: FloatArray
    n_lives: FloatArray

    @property
    def n_bad(self) -> int:
        """Lives seen failed."""
        return int(self.n_lives[np.isfinite(self.right)].sum())

    @property
    def whole_ages(self) -> FloatArray:
        """Every age from 0 to the oldest at which there was a look [years]."""
        seen = self.right[np.isfinite(self.right)].max(initial=0.0)
        return np.arange(0, max(self.left.max(), seen) + 1)


@dataclass(frozen=True, slots=True)
class Stepped:
    """A stepped curve; ages in years, None where the records do not reach.

    Attributes
    ----------
    curve : DataFrame
        Columns of the published `curves` but `outcome` and `material`.
    last_age, median_age : float or None
        Oldest age that the records speak of, and age by which half have failed.
    smoothing : float or None
        Half width of what the smoothed line is smoothed over.
    """

    curve: pl.DataFrame
    last_age: float | None
    median_age: float | None
    smoothing: float | None


def counted(left: pl.Series, right: pl.Series, n_lives: pl.Series | None = None) -> Counted:
    """Add up lives of the same interval.

    Parameters
    ----------
    left, right : Series
        Whole years; right is infinite for a life never seen failed.
    n_lives : Series, optional
        Lives of each row; one where not given.
    """
    weight = pl.lit(1, pl.Int64) if n_lives is None else pl.lit(n_lives)
    # Rounding may close an interval; it then holds the year in which the look fell.
    rows = (
        pl.DataFrame(
            {"left": left, "right": right}, schema_overrides={"left": pl.Float64, "right": pl.Float64}
        )
        .with_columns(right=pl.max_horizontal("right", pl.col("left") + 1), n=weight)
        .group_by("left", "right")
        .agg(pl.col("n").sum())
        .sort("left", "right")
    )
    return Counted(*(rows[name].cast(pl.Float64).to_numpy() for name in ("left", "right", "n")))


def verdict(material: str, n_lives: int, n_bad: int, *, min_lives: int, min_events: int) -> tuple[str, str]:
    """Say whether a stepped curve may be drawn of so many lives, and what stands behind it or why not.

    Returns
    -------
    tuple of str
        A `status` and a `sentence` of the contract.
    """
    said = f"{n_lives:,} lives, {n_bad:,} seen failed"
    if material == Material.UNKNOWN:
        return (
            contract.STATUS_TOO_FEW,
            f"No curve: {said}, but their material is not on record; they count in the fitted curves.",
        )
    if n_lives < min_lives or n_bad < min_events:
        return (
            contract.STATUS_TOO_FEW,
            f"Too few records: {said}; a curve needs {min_lives} lives and {min_events} failures.",
        )
    return contract.STATUS_OK, f"{said}. Looks are taken at their word."


def band_of_looks(looks: pl.DataFrame, ages: FloatArray, level: float) -> Band:
    """Return the likelihood-ratio band of one look at each life.

    Parameters
    ----------
    looks : DataFrame
        `age, n_looks, n_bad`, one row for each whole-year age.
    ages : ndarray
        Where it is wanted [years].
    level : float
        For example 0.95.
    """
    age, n_looks, n_bad = (looks.sort("age")[name].to_numpy() for name in ("age", "n_looks", "n_bad"))
    return likelihood_ratio_band(age, n_looks, n_bad, ages, level=level)


def stepped_curve(lives: Counted, band: Band) -> Stepped:
    """Draw the nonparametric maximum-likelihood curve with a band made for it.

    Parameters
    ----------
    lives : Counted
        At least one.
    band : Band
        At the ages of `lives.whole_ages`.
    """
    npmle = NPMLE().fit(lives.left, lives.right, lives.n_lives)
    ages = lives.whole_ages
    lower, upper = npmle.cdf(ages)
    determined = upper - lower < 1e-9
    smooth = smooth_curve(npmle, ages)
    curve = pl.DataFrame(
        {
            "age_years": ages,
            "failure_probability": np.where(determined, lower, np.nan),
            "undetermined_from": lower,
            "undetermined_to": upper,
            "failure_probability_lower": band.lower,
            "failure_probability_upper": band.upper,
            "smoothed_probability": np.where(determined, smooth.value, np.nan),
            "is_determined": determined,
        }
    )
    halves = ages[lower >= 0.5]
    return Stepped(
        curve,
        last_age=float(ages[determined].max()) if determined.any() else None,
        median_age=float(halves[0]) if len(halves) else None,
        smoothing=smooth.bandwidth or None,
    )
