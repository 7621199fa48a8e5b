from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime

import polars as pl
import pytest

from pipeline.published import contract
from pipeline.published.write import empty

VALUES = {
    "text": "x",
    "integer": 1,
    "number": 0.5,
    "flag": True,
    "date": date(2020, 1, 2),
    "timestamp": datetime(2020, 1, 2, 3, 4, 5),
    "numbers": [0.25, 0.5],
}


@pytest.fixture
def frames() -> Callable[[str], dict[str, pl.DataFrame]]:
    """Make one row for every published table; the run id tells generations apart."""

    def make(run_id: str) -> dict[str, pl.DataFrame]:
        made = {}
        for name, table in contract.TABLES.items():
            row = {column.name: [VALUES[column.kind]] for column in table.columns}
            made[name] = pl.DataFrame(row, schema=empty(table).schema)
        made["run"] = made["run"].with_columns(run_id=pl.lit(run_id))
        return made

    return make
