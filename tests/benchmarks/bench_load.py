"""Loading 1,000,000 inspections with about 3,000,000 findings, against DuckDB reading the same files into plain tables.

Must hold: the whole load (read, check, keep as given, store) takes at most LIMIT times as long. Smaller runs:
`python tests/benchmarks/bench_load.py 100000`.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from datetime import date
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

import duckdb

from pipeline.column_map import ColumnMap
from pipeline.columns import TABLES
from pipeline.settings import Settings, Workspace
from pipeline.steps.expose import expose
from pipeline.steps.load import load
from pipeline.warehouse import open_warehouse

LIMIT = 5.0
LAYOUTS = ("lots", "inspections", "findings")

LOTS = """SELECT 'L' || lpad(i::VARCHAR, 7, '0') AS lot_id, 1900 + i % 110 AS year_built, 'B' || i // 20 AS block
FROM range($n // 2) AS r (i)"""
INSPECTIONS = """SELECT 'J' || lpad(i::VARCHAR, 8, '0') AS inspection_id, 'L' || lpad((i // 2)::VARCHAR, 7, '0') AS lot_id,
DATE '2011-01-01' + (i * 7919 % 5000)::INTEGER AS inspection_date, ['pre_sale', 'routine', 'backup'][1 + i % 3] AS purpose,
'clean_out' AS access, 0.0 AS start_ft, 60.0 AS end_ft, i % 2 = 0 AS line_drained, true AS reached_tie_in, 'OP-0' || i % 9 AS operator
FROM range($n) AS r (i)"""
FINDINGS = """SELECT 'J' || lpad(i::VARCHAR, 8, '0') AS inspection_id, k AS number, round((i * 31 + k * 977) % 580 / 10, 1) AS at_ft,
['crack', 'roots', 'grease', 'hole', 'offset_joint'][1 + (i + k) % 5] AS kind, (i * k) % 60 AS loss_pct, '' AS note
FROM range($n) AS r (i), range(1, 6) AS s (k) WHERE k <= 1 + i % 5"""


def write_files(folder: Path, n: int) -> None:
    """Write the three files, 3 findings to an inspection on average."""
    con = duckdb.connect()
    for name, query in zip(LAYOUTS, (LOTS, INSPECTIONS, FINDINGS), strict=True):
        con.execute(f"COPY ({query}) TO '{folder / name}.csv' (HEADER)", {"n": n})
    con.close()


def plain_seconds(folder: Path) -> float:
    """Time of DuckDB reading the files into plain tables of a file of its own."""
    started = time.perf_counter()
    con = duckdb.connect(str(folder / "plain.duckdb"), config={"preserve_insertion_order": False})
    con.execute("SET enable_progress_bar = false")
    for name in LAYOUTS:
        con.execute(f"CREATE TABLE {name} AS FROM read_csv('{folder / name}.csv')")
    con.close()
    return time.perf_counter() - started


def map_of(folder: Path, layout: str) -> ColumnMap:
    """Every header is the column of its name."""
    with (folder / f"{layout}.csv").open(encoding="utf-8") as file:
        headers = file.readline().strip().split(",")
    known = [header for header in headers if header in TABLES[layout].by_name]
    return ColumnMap.from_toml(
        f'layout = "{layout}"\n' + "".join(f'[columns.{header}]\nfrom = "{header}"\n' for header in known)
    )


def main() -> int:
    """Print the times and their ratio; 1 where it is above the limit."""
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_files(folder, n)
        workspace = Workspace(folder / "work")
        before = plain_seconds(folder)
        started, last = time.perf_counter(), time.perf_counter()
        for layout in LAYOUTS:
            report = load(
                workspace, folder / f"{layout}.csv", map_of(folder, layout), today=date(2026, 6, 30)
            )
            assert report.n_accepted == report.n_read, report
            print(f"{layout:12} {report.n_read:>10,} rows {time.perf_counter() - last:7.2f} s")  # noqa: T201
            last = time.perf_counter()
        loaded = last - started
        (folder / "plain.duckdb").unlink()
        # before and after, since other work on the machine slows both
        plain = (before + plain_seconds(folder)) / 2
        started = time.perf_counter()
        with open_warehouse(workspace) as warehouse:
            expose(warehouse, Settings())
        exposed = time.perf_counter() - started
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    print(  # noqa: T201
        f"DuckDB into plain tables {plain:.2f} s; load {loaded:.2f} s; ratio {loaded / plain:.2f} (limit {LIMIT})"
    )
    print(f"exposure tables {exposed:.2f} s; peak memory {peak:.1f} GiB")  # noqa: T201
    return int(loaded / plain > LIMIT)


if __name__ == "__main__":
    sys.exit(main())
