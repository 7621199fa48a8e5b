"""A published town of any size for measuring the dashboard, without a build: one town laid out many times.

    .venv/bin/python -m tests.benchmarks.many_lots --workspace underlot-work --times 50 --into /tmp/many

The tiles lie side by side, each with its own lots, blocks and subdivisions. Only the waits of the dashboard can
be measured on it: what the fits and searches of a build would find in so many lots isn't in it.
"""

from __future__ import annotations

import argparse
import json
import math
from pathlib import Path

import duckdb
import numpy as np
import polars as pl
import pyarrow as pa
import shapely
from duckdb.sqltypes import DOUBLE, VARCHAR

from pipeline.published import contract
from pipeline.published.read import open_current

#: Columns that name a thing of one tile, and so need the tile in front.
NAMED = frozenset({
    "lot_id", "block", "subdivision", "inspection_id", "main_id", "manhole_id", "area", "group_name", "name",
    "blocks", "subdivisions",
})  # fmt: skip
ADDRESSES = frozenset({"address"})
NUMBERED = frozenset({"area_id", "zone", "bundle", "package", "history"})
RANKED = frozenset({"rank", "risk_rank", "spending_order", "chance_order"})
EAST = frozenset({"x_ft", "x_min_ft", "x_max_ft", "tie_in_x"})
NORTH = frozenset({"y_ft", "y_min_ft", "y_max_ft", "tie_in_y"})
OUTLINES = frozenset({"outline_wkt", "core_wkt"})
#: A table with none of these is about the whole town, and stands once.
OF_TILES = (NAMED - {"name"}) | NUMBERED | EAST
#: Counts of the whole town, in table `run`.
COUNTED = frozenset({"n_lots", "n_segments", "n_inspections", "n_lots_inspected", "n_lives", "n_looks"})
#: Space between two tiles, as a share of a tile.
GAP = 1.02
#: Larger than any number of an area, zone or bundle of one tile.
NUMBERS = 1_000_000


def main() -> None:
    """Lay the town of a workspace out many times."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--workspace", type=Path, required=True)
    parser.add_argument("--times", type=int, default=50)
    parser.add_argument("--into", type=Path, required=True)
    asked = parser.parse_args()
    print(lay_out(asked.workspace, asked.times, asked.into))  # noqa: T201


def lay_out(workspace: Path, times: int, into: Path) -> Path:
    """Write the workspace's newest generation `times` times over as the only generation of another workspace.

    Returns
    -------
    Path
        The new database.
    """
    with open_current(workspace) as reader:
        source = reader.folder / reader.generation / contract.DATABASE_NAME
        manifest = reader.manifest
    folder = into / "published" / "gen-000001"
    folder.mkdir(parents=True)
    made = folder / contract.DATABASE_NAME
    with duckdb.connect(str(made)) as con:
        con.execute("SET enable_progress_bar = false")
        con.create_function(
            "moved", _moved, [VARCHAR, DOUBLE, DOUBLE], VARCHAR, type="arrow", null_handling="special"
        )
        con.execute(f"ATTACH '{source}' AS town (READ_ONLY)")
        wide, high = con.sql("SELECT max(x_ft) - min(x_ft), max(y_ft) - min(y_ft) FROM town.lots").fetchall()[
            0
        ]
        tiles = pl.DataFrame({"tile": range(times)}).with_columns(
            east=(pl.col("tile") % math.isqrt(times)) * wide * GAP,
            north=(pl.col("tile") // math.isqrt(times)) * high * GAP,
        )
        con.register("given_tiles", tiles.to_arrow())
        con.execute("CREATE TEMP TABLE tiles AS SELECT * FROM given_tiles")
        rows = {table.name: _fill(con, table, times) for table in contract.TABLES.values()}
        con.execute("DETACH town")
        con.execute("CHECKPOINT")
    content = {**manifest, "generation": folder.name, "rows": rows}
    (folder / contract.MANIFEST_NAME).write_text(json.dumps(content, indent=2), encoding="utf-8")
    (into / "published" / contract.POINTER_NAME).write_text(f"{folder.name}\n", encoding="utf-8")
    return made


def _fill(con: duckdb.DuckDBPyConnection, table: contract.PublishedTable, times: int) -> int:
    types = ", ".join(f'"{c.name}" {contract.SQL_TYPES[c.kind]}' for c in table.columns)
    con.execute(f'CREATE TABLE "{table.name}" ({types})')
    keys = ", ".join(f'"{key}"' for key in table.key)
    if not OF_TILES & set(table.names):
        columns = ", ".join(
            f"{c} * {times}" if table.name == "run" and c in COUNTED else f'"{c}"' for c in table.names
        )
        con.execute(f'INSERT INTO "{table.name}" SELECT {columns} FROM town."{table.name}"')
    else:
        columns = ", ".join(_column(c, times) for c in table.names)
        # A budget of a portfolio is of the whole town.
        kept = "WHERE group_kind <> 'portfolio' OR tile = 0" if "group_kind" in table.names else ""
        con.execute(
            f'INSERT INTO "{table.name}" SELECT {columns} FROM town."{table.name}", tiles {kept} ORDER BY {keys}'
        )
    return int(con.sql(f'SELECT count(*) FROM "{table.name}"').fetchall()[0][0])


def _column(name: str, times: int) -> str:
    """SQL of a column of one tile."""
    forms = {
        f"printf('%03d-', tile) || {name}": NAMED,
        f"{name} || printf(', part %03d', tile)": ADDRESSES,
        f"{name} + tile * {NUMBERS}": NUMBERED,
        f"({name} - 1) * {times} + tile + 1": RANKED,
        f"{name} + east": EAST,
        f"{name} + north": NORTH,
        f"moved({name}, east, north)": OUTLINES,
    }
    form = next((form for form, names in forms.items() if name in names), f'"{name}"')
    return f'{form} AS "{name}"'


def _moved(outlines: pa.Array, east: pa.Array, north: pa.Array) -> pa.Array:
    """Outlines moved to their tile."""
    shapes = shapely.from_wkt(outlines.to_numpy(zero_copy_only=False))
    points, owner = shapely.get_coordinates(shapes, return_index=True)
    shift = np.column_stack([east.to_numpy(), north.to_numpy()])
    return pa.array(shapely.to_wkt(shapely.set_coordinates(shapes, points + shift[owner]), trim=True))


if __name__ == "__main__":
    main()
