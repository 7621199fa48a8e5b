"""The town's works as a table of records: replacements, linings, spot repairs and cleanings."""

from __future__ import annotations

import numpy as np
import polars as pl

from synthetic_data import truth
from synthetic_data.lives import LINED, PLANNED, TODAY
from synthetic_data.tables import Town, dates, kept, lot_ids, words
from synthetic_data.truth import Floats


def works_table(town: Town, rng: np.random.Generator) -> pl.DataFrame:
    """Works on record: about 85 in 100; the rest leave only a pipe younger than its house."""
    frames = [_endings(town, rng), _repairs(town, rng), _cleanings(town, rng)]
    return pl.concat(frames).sort("works_date", "lot_id", "from_ft")


_WORKS_COLUMNS = (
    "lot_id", "works_date", "kind", "reason", "from_ft", "to_ft", "method", "material_before",
    "material_after", "cost_usd",
)  # fmt: skip


def _endings(town: Town, rng: np.random.Generator) -> pl.DataFrame:
    """Replacements and linings."""
    lives, stretches = town.lives, town.setting.stretches
    done = np.flatnonzero(np.isfinite(lives.ended) & (rng.random(lives.n) < 0.85))
    n = done.size
    stretch = lives.stretch[done]
    lot = stretches.lot[stretch]
    is_lining = lives.ended_by[done] == LINED
    after = lives.material[lives.following[done]]
    reason = np.where(lives.ended_reason[done] == PLANNED, 1, 0)
    reason = np.where(rng.random(n) < 0.12, 2, reason)
    # The whole line needs no extent.
    has_extent = (stretches.count[lot] > 1) | (rng.random(n) < 0.4)
    length = stretches.to_ft[stretch] - stretches.from_ft[stretch]
    per_foot = rng.lognormal(np.log(150.0), 0.35, n)
    method = np.where(is_lining, 1, np.where(after == truth.POLYETHYLENE, 2, 0))
    return pl.DataFrame(
        {
            "lot_id": lot_ids(lot),
            "works_date": dates(lives.ended[done]),
            "kind": words(("replacement", "lining"), is_lining.astype(np.int64)),
            "reason": words(("failure", "planned", "unknown"), reason),
            "from_ft": kept(stretches.from_ft[stretch], has_extent),
            "to_ft": kept(stretches.to_ft[stretch], has_extent),
            "method": words(("open_cut", "lining", "bursting"), method),
            "material_before": kept(words(truth.MATERIALS, lives.material[done]), rng.random(n) < 0.85),
            "material_after": kept(words(truth.MATERIALS, after), rng.random(n) < 0.92),
            "cost_usd": kept(
                np.round(per_foot * length + 800.0, -1), (lives.ended[done] > 1990) & (rng.random(n) < 0.7)
            ),
        }
    ).select(_WORKS_COLUMNS)


def _repairs(town: Town, rng: np.random.Generator) -> pl.DataFrame:
    """Spot repairs: the rest of the stretch lives on."""
    lives, stretches = town.lives, town.setting.stretches
    done = np.flatnonzero(np.isfinite(lives.repaired) & (rng.random(lives.n) < 0.85))
    stretch = lives.stretch[done]
    start = np.round(
        stretches.from_ft[stretch]
        + rng.random(done.size) * (stretches.to_ft - stretches.from_ft - 4.0)[stretch]
    )
    return _works_frame(
        lot_ids(stretches.lot[stretch]), lives.repaired[done], "repair", "spot_repair", start, start + 4.0,
        np.round(rng.lognormal(np.log(2600.0), 0.3, done.size), -1),
    )  # fmt: skip


def _cleanings(town: Town, rng: np.random.Generator) -> pl.DataFrame:
    """Roots and grease cut out after a backup where nothing else was done."""
    lives, stretches = town.lives, town.setting.stretches
    told = np.isfinite(lives.noticed) & ~np.isfinite(lives.works) & (lives.noticed > 1990)
    done = np.flatnonzero(told & (rng.random(lives.n) < 0.6))
    stretch = lives.stretch[done]
    return _works_frame(
        lot_ids(stretches.lot[stretch]), np.minimum(lives.noticed[done] + 0.002, np.minimum(lives.ended[done], TODAY)), "cleaning",
        "cleaning", stretches.from_ft[stretch], stretches.to_ft[stretch],
        np.round(rng.lognormal(np.log(300.0), 0.3, done.size), -1),
    )  # fmt: skip


def _works_frame(
    lot_id: pl.Series, year: Floats, kind: str, method: str, from_ft: Floats, to_ft: Floats, cost: Floats
) -> pl.DataFrame:
    """Works after a failure that put in no new pipe."""
    return pl.DataFrame(
        {"lot_id": lot_id, "works_date": dates(year), "from_ft": from_ft, "to_ft": to_ft, "cost_usd": cost}
    ).select(
        "lot_id",
        "works_date",
        pl.lit(kind).alias("kind"),
        pl.lit("failure").alias("reason"),
        "from_ft",
        "to_ft",
        pl.lit(method).alias("method"),
        pl.lit(None, dtype=pl.String).alias("material_before"),
        pl.lit(None, dtype=pl.String).alias("material_after"),
        "cost_usd",
    )
