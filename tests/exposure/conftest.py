"""A few hand-made records, exposed."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipeline.settings import Settings, Workspace
from pipeline.steps.expose import expose
from pipeline.warehouse import open_warehouse
from tests.warehouse_frames import load_jobs, load_rows

REFERENCE = Path(os.environ.get("UNDERLOT_REFERENCE", Path(__file__).parents[2] / "../shared/reference/real"))
ORDER = ("lots", "segments", "works", "inspections", "observed", "findings")


class Exposed:
    """Tables of an exposed workspace as frames."""

    def __init__(self, warehouse: Any) -> None:
        self._warehouse = warehouse

    def __getattr__(self, table: str) -> pl.DataFrame:
        schema = "records" if table == "findings_on_records" else "exposure"
        return self._warehouse.frame(f"FROM {schema}.{table}")

    def look(self, inspection: str, sequence: int = 1, *, basis: str | None = None) -> dict[str, Any]:
        """The one look of an inspection at a segment."""
        looks = self.looks.join(self.lives.select("life_id", "sequence"), on="life_id").filter(
            pl.col("inspection_id") == inspection,
            pl.col("sequence") == sequence,
            pl.col("basis").ne("ended") if basis is None else pl.col("basis") == basis,
        )
        assert looks.height == 1, looks
        return looks.row(0, named=True)

    def interval(
        self, outcome: str = "any", *, sequence: int = 1, life_number: int = 1, lot: str = "A"
    ) -> dict[str, Any]:
        """The interval of one life and outcome."""
        lives = self.lives.filter(
            pl.col("lot_id") == lot, pl.col("sequence") == sequence, pl.col("life_number") == life_number
        )
        found = self.intervals.filter(pl.col("outcome") == outcome).join(
            lives.select("life_id"), on="life_id"
        )
        assert found.height == 1, (found, self.lives, self.looks)
        return found.row(0, named=True)


@pytest.fixture
def records(tmp_path: Path) -> Iterator[Callable[..., Exposed]]:
    """Load rows by table and expose them: `records(lots=[…], inspections=[…])`, or `records(jobs=[…])`."""
    opened = []

    def build(*, settings: Settings | None = None, jobs: Any = None, **tables: Any) -> Exposed:
        number = len(opened)
        workspace = Workspace(tmp_path / str(number))
        workspace.create()
        manager = open_warehouse(workspace)
        warehouse = manager.__enter__()
        opened.append(manager)
        if jobs is not None:
            assert load_jobs(warehouse, jobs).n_rejected == 0
        for table in ORDER:
            rows: list[Mapping[str, Any]] | None = tables.get(table)
            if rows:
                name = "segments" if table == "observed" else table
                report = load_rows(warehouse, name, rows)
                assert report.n_rejected == 0, warehouse.frame("FROM records.rejects")["reason"].to_list()
        expose(warehouse, settings or Settings())
        return Exposed(warehouse)

    yield build
    for manager in opened:
        manager.__exit__(None, None, None)


@pytest.fixture
def real() -> Callable[[str], pl.DataFrame]:
    """A real file as text columns; the test is skipped where it is absent."""

    def find(name: str, separator: str = ",") -> pl.DataFrame:
        path = REFERENCE / name
        if not path.exists():
            pytest.skip(f"the real file {name} is not here; set UNDERLOT_REFERENCE to its folder")
        return pl.read_csv(path, infer_schema=False, separator=separator)

    return find
