"""Invented towns loaded into a workspace, for the tests that compare fits with their truth."""

from __future__ import annotations

import json
from pathlib import Path

import polars as pl

from pipeline.columns import TABLES
from pipeline.commands.demo import town_settings
from pipeline.settings import Settings, Workspace
from pipeline.steps.load import load
from pipeline.steps.load_plan import plan_load
from synthetic_data.write import generate


def load_town(folder: Path, seed: int, *, n_lots: int) -> tuple[Workspace, Settings]:
    """Invent a town, load its files, and return its workspace and the settings that say how its cameras see."""
    generate(folder / "town", n_lots=n_lots, seed=seed)
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
