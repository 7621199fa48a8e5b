"""One invented town for all tests of this folder, and its records and truth as frames."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import polars as pl
import pytest

from synthetic_data.write import TownSummary, generate

TABLES = (
    "lots", "segments", "inspections", "findings", "works", "mains", "manholes", "connections", "unit_costs",
)  # fmt: skip
TRUTH = (
    "lives",
    "failure_by_age",
    "looks",
    "hot_spots",
    "hot_spot_blocks",
    "subdivisions",
    "detection",
    "jobs_key",
)


@dataclass(frozen=True)
class Written:
    """A town read back from its files."""

    folder: Path
    summary: TownSummary
    tables: dict[str, pl.DataFrame]
    truth: dict[str, pl.DataFrame]


def read_back(summary: TownSummary) -> Written:
    tables = {
        name: pl.read_csv(
            summary.folder / f"{name}.csv",
            schema_overrides={"lot_id": pl.String},
            try_parse_dates=True,
            infer_schema_length=None,
        )
        for name in TABLES
    }
    truth = {name: pl.read_parquet(summary.folder / "truth" / f"{name}.parquet") for name in TRUTH}
    return Written(summary.folder, summary, tables, truth)


@pytest.fixture(scope="session")
def town(tmp_path_factory: pytest.TempPathFactory) -> Written:
    return read_back(generate(tmp_path_factory.mktemp("town"), n_lots=12_000, seed=20260630))
