"""Invented towns loaded into a workspace, for the tests that compare fits with their truth."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import polars as pl

from pipeline.columns import TABLES
from pipeline.commands.demo import town_settings
from pipeline.settings import Settings, Workspace
from pipeline.steps.fit_input import read_exposure
from pipeline.steps.fit_regression import fit_outcome, fitted_curves, fitted_groups
from pipeline.steps.load import load
from pipeline.steps.load_plan import plan_load
from pipeline.warehouse import Warehouse
from synthetic_data.truth import HOT_SPOT_HAZARDS
from synthetic_data.write import generate

#: Ages at which fitted curves are held against the truth [years].
AGES = (20.0, 40.0, 60.0)


def load_town(folder: Path, seed: int, *, n_lots: int, hot_spots: bool = True) -> tuple[Workspace, Settings]:
    """Invent a town, load its files, and return its workspace and the settings that say how its cameras see."""
    hazards = HOT_SPOT_HAZARDS if hot_spots else (1.0, 1.0, 1.0)
    generate(folder / "town", n_lots=n_lots, seed=seed, hot_spot_hazards=hazards)
    workspace = Workspace(folder / "work")
    for name in TABLES:
        path = folder / "town" / f"{name}.csv"
        if path.exists():
            load(workspace, path, plan_load(path, layout=name).column_map)
    description = json.loads((folder / "town" / "town.json").read_text(encoding="utf-8"))
    return workspace, town_settings(description)


def true_chances(folder: Path) -> pl.DataFrame:
    """True chance to have failed: `outcome, material, age_years, truth`."""
    table = pl.read_parquet(folder / "town" / "truth" / "failure_by_age.parquet")
    return table.filter(pl.col("era") == "all").select(
        "outcome", "material", pl.col("age").cast(pl.Float64).alias("age_years"), truth="failure_probability"
    )


def distances(warehouse: Warehouse, settings: Settings, outcome: str, truth: pl.DataFrame) -> pl.DataFrame:
    """Estimate less truth on the log hazard scale, and the stated range's half width in the same unit.

    `warehouse` is exposed with `settings`; the chances are those at `AGES`, of each material with a curve.
    """
    exposure = read_exposure(warehouse, settings)
    fit = fit_outcome(exposure, outcome, settings, np.random.default_rng(1))
    assert fit.is_ok, fit.fitted.reason
    curves = fitted_curves(fit, fitted_groups(fit, settings)).filter(pl.col("age_years").is_in(AGES))

    def hazard(name: str) -> pl.Expr:
        return (-(1 - pl.col(name).clip(1e-6, 1 - 1e-6)).log()).log()

    return curves.join(truth, on=["outcome", "material", "age_years"]).select(
        "material",
        "age_years",
        distance=hazard("failure_probability") - hazard("truth"),
        half_width=(hazard("failure_probability_upper") - hazard("failure_probability_lower")) / 2,
    )
