"""A warehouse made before a column was added to the contract keeps its rows and takes new ones."""

from __future__ import annotations

import duckdb
import polars as pl

from pipeline.columns import TABLES
from pipeline.settings import Workspace
from pipeline.warehouse import open_warehouse


def test_added_columns_are_empty_in_old_rows_and_stand_in_the_contracts_order(tmp_path):
    workspace = Workspace(tmp_path)
    with open_warehouse(workspace):
        pass
    with duckdb.connect(str(workspace.warehouse)) as con:
        # As if the contract had had neither of these: one at the end, one in the middle.
        for table in ("inspections", "inspections_superseded"):
            con.execute(f"ALTER TABLE core.{table} DROP COLUMN consent")
            con.execute(f"ALTER TABLE core.{table} DROP COLUMN access")
        con.execute(
            "INSERT INTO core.inspections (inspection_id, lot_id, load_id, source_row) VALUES ('J1', 'L1', 1, 2)"
        )
    with open_warehouse(workspace) as warehouse:
        rows = warehouse.frame("SELECT * FROM core.inspections")
        wanted = [*TABLES["inspections"].by_name, "load_id", "source_row"]
        assert rows.columns == wanted
        assert rows.select("inspection_id", "lot_id", "consent", "load_id").rows() == [("J1", "L1", None, 1)]
        assert warehouse.frame("SELECT * FROM core.inspections_superseded").columns == [
            *wanted,
            "superseded_by_load",
        ]
        null = warehouse.frame(
            "SELECT is_nullable FROM duckdb_columns() WHERE table_name = 'inspections' AND column_name = 'load_id'"
        )
        assert null.equals(pl.DataFrame({"is_nullable": [False]}))


def test_a_warehouse_of_a_later_version_is_left_as_it_is(tmp_path):
    workspace = Workspace(tmp_path)
    with open_warehouse(workspace):
        pass
    with duckdb.connect(str(workspace.warehouse)) as con:
        con.execute("ALTER TABLE core.lots ADD COLUMN from_the_future INTEGER")
    with open_warehouse(workspace) as warehouse:
        assert "from_the_future" in warehouse.frame("SELECT * FROM core.lots").columns
