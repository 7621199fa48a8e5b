"""Load one file into the warehouse: one transaction, all of it or nothing."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime
from pathlib import Path

import duckdb
import polars as pl

from pipeline import validate
from pipeline.column_map import ColumnMap
from pipeline.progress import Progress, silent
from pipeline.readers.raw import RawRows
from pipeline.settings import Workspace
from pipeline.steps.load_plan import read_by
from pipeline.steps.staging import Staging
from pipeline.validate import CheckedRows
from pipeline.warehouse import Warehouse, open_warehouse, register_frame, sql_text


@dataclass(frozen=True, slots=True)
class LoadReport:
    """What became of every row of a file; n_read = n_accepted + n_unchanged + n_duplicate + n_rejected.

    Attributes
    ----------
    load_id : int
        The load, or the earlier load of the same file with the same map.
    file_name, layout : str
        What was loaded.
    n_read, n_accepted, n_unchanged, n_duplicate, n_rejected : int
        Rows of the file. Unchanged rows stood on record in the same words; duplicates repeat a row of the file.
    n_superseded : int
        Older rows that were replaced and kept aside.
    rejects_by_reason : dict of str to int
        Rows of the file by reason code; a row with two faults counts under both.
    already_loaded : datetime or None
        UTC; set where this file was loaded before with this map, and nothing was changed now.
    """

    load_id: int
    file_name: str
    layout: str
    n_read: int
    n_accepted: int
    n_unchanged: int
    n_duplicate: int
    n_superseded: int
    n_rejected: int
    rejects_by_reason: dict[str, int] = field(default_factory=dict)
    already_loaded: datetime | None = None


def load(
    workspace: Workspace,
    path: Path,
    column_map: ColumnMap,
    *,
    today: date | None = None,
    progress: Progress = silent,
) -> LoadReport:
    """Read a file, check it, and put its rows into the workspace's warehouse.

    Parameters
    ----------
    workspace : Workspace
        Made where absent.
    path : Path
        The file.
    column_map : ColumnMap
        What its headers mean.
    today : date, optional
        Later dates are rejected; None means the computer's date.
    progress : callable
        Told one short sentence at the start of each stage.

    Raises
    ------
    UnderlotError
        The file or the warehouse cannot be used; the warehouse is as it was.
    """
    workspace.create()
    with open_warehouse(workspace) as warehouse:
        progress(f"Reading {path.name}")
        raw = read_by(column_map, path)
        earlier = find_earlier(warehouse, raw, column_map)
        if earlier is not None and _waiting_rows(warehouse, earlier) is None:
            return earlier
        progress(f"Checking {raw.n_read:,} rows")
        checked = validate.check(raw, column_map, today=today or date.today())
        return load_checked(warehouse, raw, checked, column_map, progress=progress)


def load_checked(
    warehouse: Warehouse,
    raw: RawRows,
    checked: CheckedRows,
    column_map: ColumnMap,
    *,
    progress: Progress = silent,
) -> LoadReport:
    """Put rows that were read and checked into an open warehouse; arguments as in `load`.

    A file that was loaded before with the same map changes nothing, but for its rows whose lot or inspection
    was not on record and is now: these, and only these, are a load of their own, so that nothing that has
    superseded the rest of the file since is undone.
    """
    earlier = find_earlier(warehouse, raw, column_map)
    if earlier is not None:
        waiting = _waiting_rows(warehouse, earlier)
        if waiting is None:
            return earlier
        raw, checked = _only_rows(raw, checked, waiting)
    with warehouse.transaction() as con:
        load_id = int(con.execute("SELECT coalesce(max(load_id), 0) + 1 FROM records.loads").fetchall()[0][0])
        progress("Keeping the rows as given")
        _store_landing(con, raw, load_id)
        progress("Comparing with what is on record")
        staging = Staging(con, checked.tables, column_map.layout, load_id)
        staging.check()
        progress("Storing")
        staging.store()
        _store_rejects(con, checked.rejects, raw.path.name, load_id)
        report = _report(con, staging, raw, checked, column_map)
        _store_report(con, report, raw, column_map)
    return report


def find_earlier(warehouse: Warehouse, raw: RawRows, column_map: ColumnMap) -> LoadReport | None:
    """Return the report of an earlier load of the same content with the same map, if there is one."""
    found = warehouse.frame(
        """
        SELECT load_id, file_name, layout, n_read, n_accepted, n_unchanged, n_duplicate, n_superseded, n_rejected,
            loaded_at AS already_loaded
        FROM records.loads
        WHERE sha256 = ? AND map_toml = ? AND sheet IS NOT DISTINCT FROM ?
        ORDER BY load_id DESC LIMIT 1
        """,
        (raw.sha256, column_map.to_toml(), raw.sheet),
    )
    if not found.height:
        return None
    row = found.row(0, named=True)
    reasons = _reasons(warehouse.frame(REASONS, (row["load_id"],)))
    return LoadReport(**row, rejects_by_reason=reasons)


def _waiting_rows(warehouse: Warehouse, earlier: LoadReport) -> pl.Series | None:
    """Return the source rows that a load rejected for want of a parent; None where no parent has come since."""
    waiting = warehouse.frame(sql_text("core/waiting_rows"), {"load_id": earlier.load_id})
    return waiting["source_row"] if waiting["has_parent"].any() else None


def _only_rows(raw: RawRows, checked: CheckedRows, source_rows: pl.Series) -> tuple[RawRows, CheckedRows]:
    chosen = pl.col("source_row").is_in(source_rows.implode())
    tables = {name: frame.filter(chosen) for name, frame in checked.tables.items()}
    few = CheckedRows(tables, checked.rejects.filter(chosen), len(source_rows))
    return replace(raw, rows=raw.rows.filter(chosen)), few


REASONS = """
    SELECT reason_code, count(DISTINCT source_row) AS n FROM records.rejects WHERE load_id = ?
    GROUP BY reason_code ORDER BY n DESC, reason_code
"""


def _reasons(frame: pl.DataFrame) -> dict[str, int]:
    return dict(zip(frame["reason_code"], frame["n"], strict=True))


def landing_table(load_id: int) -> str:
    """Name of the table that keeps a load's rows as given."""
    return f"landing.load_{load_id:06d}"


def _store_landing(con: duckdb.DuckDBPyConnection, raw: RawRows, load_id: int) -> None:
    register_frame(con, "given_rows", raw.rows)
    con.execute(f"CREATE TABLE {landing_table(load_id)} AS FROM given_rows")
    con.unregister("given_rows")
    headers = [(load_id, position, header) for position, header in enumerate(raw.headers, start=1)]
    con.executemany("INSERT INTO landing.headers VALUES (?, ?, ?)", headers)


def _store_rejects(
    con: duckdb.DuckDBPyConnection, rejects: pl.DataFrame, file_name: str, load_id: int
) -> None:
    con.register("checked_rejects", rejects)
    con.execute(
        """
        INSERT INTO records.rejects
        SELECT ?, ?, source_row, table_name, column_name, value, reason_code, reason
        FROM (
            SELECT source_row, table_name, column_name, value, reason_code, reason FROM checked_rejects
            UNION ALL
            SELECT source_row, table_name, column_name, value, reason_code, reason
            FROM dropped WHERE outcome = 'rejected'
        )
        """,
        [load_id, file_name],
    )
    con.unregister("checked_rejects")


def _report(
    con: duckdb.DuckDBPyConnection,
    staging: Staging,
    raw: RawRows,
    checked: CheckedRows,
    column_map: ColumnMap,
) -> LoadReport:
    load_id = staging.load_id
    n_unchanged = staging.n_unchanged()
    n_rejected = con.execute(
        "SELECT count(DISTINCT source_row) FROM records.rejects WHERE load_id = ?", [load_id]
    ).fetchall()[0][0]
    report = LoadReport(
        load_id=load_id,
        file_name=raw.path.name,
        layout=column_map.layout,
        n_read=checked.n_read,
        n_accepted=staging.n_kept() - n_unchanged,
        n_unchanged=n_unchanged,
        n_duplicate=staging.n_duplicate(),
        n_superseded=staging.n_superseded,
        n_rejected=int(n_rejected),
        rejects_by_reason=_reasons(con.sql(REASONS, params=[load_id]).pl()),
    )
    accounted = report.n_accepted + report.n_unchanged + report.n_duplicate + report.n_rejected
    if accounted != report.n_read:
        raise AssertionError(f"{report.n_read} rows read, {accounted} accounted for")
    return report


def _store_report(
    con: duckdb.DuckDBPyConnection, report: LoadReport, raw: RawRows, column_map: ColumnMap
) -> None:
    con.execute(
        "INSERT INTO records.loads VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [
            report.load_id,
            report.file_name,
            raw.sha256,
            raw.sheet,
            column_map.name,
            column_map.to_toml(),
            report.layout,
            datetime.now(UTC).replace(tzinfo=None),
            report.n_read,
            report.n_accepted,
            report.n_unchanged,
            report.n_duplicate,
            report.n_superseded,
            report.n_rejected,
        ],
    )
