"""The truth as tables, for tests and for anyone who wants to see how near an estimate came."""

from __future__ import annotations

import numpy as np
import polars as pl

from synthetic_data import truth
from synthetic_data.inspections import Sights
from synthetic_data.lives import Lives, Setting
from synthetic_data.tables import Town, inspection_ids, lot_ids, words
from synthetic_data.truth import Floats, Ints

#: Ages of the truth's curves [years].
AGES = tuple(range(0, 121))
ERAS = ("before_1940", "1940_1957", "1958_1979", "1980_on")
ERA_ENDS = (1940, 1958, 1980)


def era_of(laid: Floats) -> Ints:
    """Index into `ERAS` of a decimal year of laying."""
    return np.searchsorted(ERA_ENDS, laid, side="right").astype(np.int64)


def failure_by_age(setting: Setting, lives: Lives) -> pl.DataFrame:
    """True chance to have failed by each age, per outcome, material and era.

    Returns
    -------
    polars.DataFrame
        Columns material, era ("all" or one of `ERAS`), outcome, age, failure_probability, n_lives. Each value
        is the mean of the law over all lives of the group that the town ever had, each life with its own
        covariates and area multiplier; replaced lives count like standing ones.
    """
    law = setting.hazards(lives.stretch, lives.material, lives.laid, lives.has_short_lay)
    group = lives.material * len(ERAS) + era_of(lives.laid)
    n_groups = len(truth.MATERIALS) * len(ERAS)
    size = np.bincount(group, minlength=n_groups)
    frames = []
    for age in AGES:
        for outcome, share in law.failed_share(float(age)).items():
            total = np.bincount(group, weights=share, minlength=n_groups)
            frames.append(
                pl.DataFrame({"group": np.arange(n_groups), "n_lives": size, "total": total}).with_columns(
                    pl.lit(outcome).alias("outcome"), pl.lit(age).alias("age")
                )
            )
    named = pl.DataFrame(
        {
            "group": np.arange(n_groups),
            "material": words(truth.MATERIALS, np.arange(n_groups) // len(ERAS)),
            "era": words(ERAS, np.arange(n_groups) % len(ERAS)),
        }
    )
    by_era = pl.concat(frames).join(named, on="group")
    overall = by_era.with_columns(pl.lit("all").alias("era"))
    keys = ["material", "era", "outcome", "age"]
    return (
        pl.concat([by_era, overall])
        .group_by(keys)
        .agg(pl.col("total").sum(), pl.col("n_lives").sum())
        .filter(pl.col("n_lives") > 0)
        .select(*keys, (pl.col("total") / pl.col("n_lives")).alias("failure_probability"), "n_lives")
        .sort("material", "era", "outcome", "age")
    )


def lives_table(setting: Setting, lives: Lives) -> pl.DataFrame:
    """Every life with its failure age per process, whether or not anyone ever saw it."""
    stretches = setting.stretches
    lot = stretches.lot[lives.stretch]
    law = setting.hazards(lives.stretch, lives.material, lives.laid, lives.has_short_lay)

    def finite(values: Floats) -> pl.Series:
        """Times, empty where they never came."""
        return pl.Series(np.where(np.isfinite(values), values, np.nan)).fill_nan(None)

    return pl.DataFrame(
        {
            "lot_id": lot_ids(lot),
            "sequence": stretches.sequence[lives.stretch],
            "life_number": lives.number,
            "material": words(truth.MATERIALS, lives.material),
            "laid_year": lives.laid,
            "ended_year": finite(lives.ended),
            "ended_by": words(("replacement", "lining"), lives.ended_by - 1),
            "ended_reason": words(("failure", "planned"), lives.ended_reason - 1),
            "repaired_year": finite(lives.repaired),
            "noticed_year": finite(lives.noticed),
            "structural_age": lives.structural_age,
            "roots_joints_age": lives.roots_age,
            "has_belly": lives.has_belly,
            "structural_shape": law.structural_shape,
            "structural_rate": law.structural_rate,
            "roots_joints_shape": law.roots_shape,
            "roots_joints_rate": law.roots_rate,
            "belly_share": law.belly_share,
            "area_multiplier": setting.areas.multiplier[lot],
            "planted_area": setting.areas.lot_area[lot],
        }
    )


def sights_table(town: Town, sights: Sights) -> pl.DataFrame:
    """One row per look and stretch reached: what had failed, and what the camera made of it."""
    columns: dict[str, object] = {
        "inspection_id": inspection_ids(town.looks).gather(pl.Series(sights.look, dtype=pl.UInt32)),
        "sequence": town.setting.stretches.sequence[sights.stretch],
        "life_number": town.lives.number[sights.life],
        "is_whole": sights.is_whole,
    }
    for i, outcome in enumerate(truth.FALSE_CALLS):
        columns[f"{outcome}_failed"] = sights.failed[i]
        columns[f"{outcome}_called"] = sights.called[i]
    return pl.DataFrame(columns)


def planted_table(setting: Setting) -> pl.DataFrame:
    """The three planted hot spots and the decoy, as circles."""
    areas = setting.areas
    n_lots = np.bincount(areas.lot_area[areas.lot_area >= 0], minlength=areas.hazard.size)
    return pl.DataFrame(
        {
            "planted_area": np.arange(areas.hazard.size),
            "kind": ["hot_spot"] * len(truth.HOT_SPOT_HAZARDS) + ["decoy"],
            "x": areas.centre_x_ft,
            "y": areas.centre_y_ft,
            "radius_ft": areas.radius_ft,
            "hazard_ratio": areas.hazard,
            "n_lots": n_lots,
        }
    )


def planted_blocks_table(setting: Setting, block: pl.Series) -> pl.DataFrame:
    """The blocks inside each planted area."""
    frame = pl.DataFrame({"block": block, "planted_area": setting.areas.lot_area})
    return frame.filter(pl.col("planted_area") >= 0).unique().sort("planted_area", "block")


def frailty_table(setting: Setting, subdivision: pl.Series) -> pl.DataFrame:
    """Hazard multiplier of each subdivision outside the planted areas."""
    frame = pl.DataFrame(
        {"subdivision": subdivision, "hazard_ratio": setting.areas.frailty[setting.lots.subdivision]}
    )
    return frame.unique().sort("subdivision")


def detection_table(seed: int) -> pl.DataFrame:
    """Sensitivity and specificity per outcome, with the seed of the town."""
    rows = [(outcome, *rates, seed) for outcome, rates in truth.detection().items()]
    return pl.DataFrame(rows, schema=["outcome", "sensitivity", "specificity", "seed"], orient="row")
