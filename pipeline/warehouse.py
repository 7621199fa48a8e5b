"""The working warehouse: the only module that opens its DuckDB file.

It owns the lock, the one transaction of a load or build, and the translation of database faults into
sentences. What the tables mean is in `columns` and in the SQL files under `pipeline/sql`.
"""

from __future__ import annotations

import contextlib
import errno
import os
from collections.abc import Iterator, Mapping, Sequence
from importlib import resources
from pathlib import Path
from typing import IO, Any

import duckdb
import polars as pl

from pipeline.columns import SQL_TYPES, TABLES, Table
from pipeline.errors import WarehouseError
from pipeline.settings import Workspace

try:
    import fcntl
except ImportError:  # pragma: no cover - Windows has none; DuckDB's own file lock still holds there
    fcntl = None  # type: ignore[assignment]

SCHEMAS = ("landing", "core", "exposure", "records")
#: Columns of core tables that are not of the contract.
BOOKKEEPING = ("load_id", "source_row")
BOOKKEEPING_SUPERSEDED = (*BOOKKEEPING, "superseded_by_load")

#: Nothing is ever fetched from outside, and a file's rows need no order of their own: `source_row` has it.
CONFIG: dict[str, str | bool | int | float | list[str]] = {
    "autoinstall_known_extensions": False,
    "autoload_known_extensions": False,
    "allow_community_extensions": False,
    "preserve_insertion_order": False,
    # Frames of the readers live in the same process, so DuckDB may not take its usual 80 %.
    "memory_limit": "60%",
}

#: What DuckDB says, and what a user needs to hear; the first match counts.
_FAULTS: tuple[tuple[tuple[str, ...], str], ...] = (
    (
        ("no space left", "disk full", "file too large", "could not write", "failed to write"),
        "the disk is full, so nothing was written. Free some space and run the command again.",
    ),
    (
        ("could not set lock", "conflicting lock", "different configuration"),
        "a running load or build, or another program, has this file open. "
        "Wait until it has ended, or close it, then run the command again.",
    ),
    (
        ("not a valid duckdb", "corrupt", "checksum", "serialization error", "could not read enough bytes"),
        "this is no Underlot warehouse, or it is damaged. Put back a copy, or move the file away and load again.",
    ),
    (
        ("read-only", "read only", "permission denied", "operation not permitted"),
        "this file or its folder may not be written to. Correct the permissions or choose another workspace.",
    ),
    (
        ("out of memory", "failed to allocate", "could not allocate", "failed to offload"),
        "memory ran out, so nothing was written. Close other programs, or load the file in parts.",
    ),
    (
        ("trying to read a database file with version", "newer version", "storage version"),
        "it was written by another version. Update Underlot, or choose another workspace.",
    ),
    (
        ("no such file", "cannot open"),
        "there is no such warehouse. Load a file first, or name the workspace with --workspace.",
    ),
)


def sql_text(name: str, **identifiers: str) -> str:
    """Return the text of one SQL file.

    Parameters
    ----------
    name : str
        Folder and file name below `pipeline/sql`, without ".sql".
    **identifiers : str
        Put in place of `{name}`; names and lists of columns from `columns.TABLES`, never user text.
    """
    text = (resources.files("pipeline.sql") / f"{name}.sql").read_text(encoding="utf-8")
    return text.format(**identifiers) if identifiers else text


def run_sql(con: duckdb.DuckDBPyConnection, name: str, values: Any = None, /, **identifiers: str) -> int:
    """Run one SQL file to its end; return the number it reports (rows inserted or deleted), else 0."""
    rows = con.execute(sql_text(name, **identifiers), values).fetchall()
    return int(rows[0][0]) if rows and isinstance(rows[0][0], int) else 0


def register_frame(con: duckdb.DuckDBPyConnection, name: str, frame: pl.DataFrame) -> None:
    """Show a frame to SQL as a view, without copying its text columns."""
    con.register(name, frame.to_arrow(compat_level=pl.CompatLevel.newest()))


def sql_files(folder: str) -> tuple[str, ...]:
    """Names of all SQL files of one folder, sorted, as `run_sql` takes them."""
    entries = (resources.files("pipeline.sql") / folder).iterdir()
    return tuple(
        sorted(
            f"{folder}/{entry.name.removesuffix('.sql')}" for entry in entries if entry.name.endswith(".sql")
        )
    )


def _sentence(path: Path, fault: Exception) -> str:
    text = str(fault).lower()
    for marks, advice in _FAULTS:
        if any(mark in text for mark in marks):
            return f"{path.name}: {advice}"
    first_line = (str(fault).splitlines() or [type(fault).__name__])[0]
    return f"{path.name}: the database refused ({first_line}). Nothing was changed; please report this."


@contextlib.contextmanager
def _plain_faults(path: Path) -> Iterator[None]:
    try:
        yield
    except (
        duckdb.IOException,
        duckdb.OutOfMemoryException,
        duckdb.FatalException,
        duckdb.InternalException,
        duckdb.SerializationException,
        duckdb.ConnectionException,
        duckdb.PermissionException,
        duckdb.TransactionException,
    ) as exc:
        raise WarehouseError(_sentence(path, exc)) from exc


class Warehouse:
    """An open working warehouse; make one with `open_warehouse`.

    Attributes
    ----------
    workspace : Workspace
        The folder it belongs to.
    path : Path
        The DuckDB file.
    read_only : bool
        Opened for reading.
    """

    def __init__(self, workspace: Workspace, *, read_only: bool, lock: IO[str] | None) -> None:
        self.workspace = workspace
        self.path = path = workspace.warehouse
        self.read_only = read_only
        self._lock = lock
        with _plain_faults(path):
            self._con = duckdb.connect(str(path), read_only=read_only, config=CONFIG)
            # The bar would be drawn into stdout, which belongs to the command.
            self._con.execute("SET enable_progress_bar = false")

    @contextlib.contextmanager
    def transaction(self) -> Iterator[duckdb.DuckDBPyConnection]:
        """Give a connection whose work is kept as a whole, or not at all.

        Raises
        ------
        WarehouseError
            The work could not be written; the warehouse is as it was.
        """
        con = self._con.cursor()
        with _plain_faults(self.path):
            try:
                con.execute("BEGIN TRANSACTION")
                yield con
                con.execute("COMMIT")
            except BaseException:
                # After a fault in writing, DuckDB may refuse even this; the file then rolls back on opening.
                with contextlib.suppress(duckdb.Error):
                    con.execute("ROLLBACK")
                raise
            finally:
                con.close()

    def frame(self, query: str, values: Sequence[object] | Mapping[str, object] = ()) -> pl.DataFrame:
        """Return a query's rows."""
        with _plain_faults(self.path):
            frame: pl.DataFrame = self._con.sql(
                query, params=values if isinstance(values, Mapping) else list(values)
            ).pl()
        return frame

    def has_table(self, schema: str, table: str) -> bool:
        """Tell whether a table exists."""
        found = self.frame(
            "SELECT 1 AS found FROM duckdb_tables() WHERE schema_name = ? AND table_name = ?", (schema, table)
        )
        return found.height > 0

    def give_back(self) -> None:
        """Have DuckDB hand back memory that it has freed, as `pipeline.memory.give_back` does for the rest."""
        # It keeps gigabytes of a large town's, and lets go of them only when it is told its limit.
        with _plain_faults(self.path):
            self._con.execute(f"SET memory_limit = '{CONFIG['memory_limit']}'")

    def close(self) -> None:
        """Close the file and let go of the lock."""
        try:
            with _plain_faults(self.path):
                self._con.close()
        finally:
            if self._lock is not None:
                self._lock.close()


@contextlib.contextmanager
def open_warehouse(workspace: Workspace, *, read_only: bool = False) -> Iterator[Warehouse]:
    """Open a workspace's warehouse, and close it at the end.

    Parameters
    ----------
    workspace : Workspace
        Its folder must exist; for writing, the warehouse file is made where absent.
    read_only : bool
        Read only; needs a warehouse that exists.

    Raises
    ------
    WarehouseError
        Another process holds it; it may not be written; it is damaged or no warehouse.
    """
    path = workspace.warehouse
    if read_only and not path.exists():
        raise WarehouseError(
            f"{path.name}: there is no warehouse in {workspace.root.name} yet. Load a file first."
        )
    lock = None if read_only else _take_lock(workspace.lock)
    try:
        if path.exists() and not read_only and not os.access(path, os.W_OK):
            raise WarehouseError(_sentence(path, PermissionError(errno.EACCES, "Permission denied")))
        warehouse = Warehouse(workspace, read_only=read_only, lock=lock)
    except BaseException:
        if lock is not None:
            lock.close()
        raise
    try:
        if not read_only:
            _create_tables(warehouse)
        yield warehouse
    finally:
        warehouse.close()


def _take_lock(path: Path) -> IO[str]:
    """Take the loader's lock; the system frees it when the process ends, however it ends."""
    try:
        lock = path.open("a+", encoding="utf-8")
    except OSError as exc:
        raise WarehouseError(_sentence(path, exc)) from exc
    if fcntl is not None:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as exc:
            lock.seek(0)
            holder = lock.read().strip() or "unknown"
            lock.close()
            msg = (
                f"another load or build is running (process {holder}). "
                "Wait until it has ended, then run the command again."
            )
            raise WarehouseError(msg) from exc
    with contextlib.suppress(OSError):  # on a full disk the number is missing, the lock still holds
        lock.truncate(0)
        lock.write(str(os.getpid()))
        lock.flush()
    return lock


def _create_tables(warehouse: Warehouse) -> None:
    with warehouse.transaction() as con:
        for schema in SCHEMAS:
            con.execute(f"CREATE SCHEMA IF NOT EXISTS {schema}")
        for name in sql_files("records"):
            run_sql(con, name)
        for table in TABLES.values():
            definitions = ", ".join(f"{column.name} {SQL_TYPES[column.kind]}" for column in table.columns)
            run_sql(con, "core/current", table=table.name, definitions=definitions)
            run_sql(con, "core/superseded", table=table.name, definitions=definitions)
            for name, own in (
                (table.name, BOOKKEEPING),
                (f"{table.name}_superseded", BOOKKEEPING_SUPERSEDED),
            ):
                _bring_up_to_date(con, name, table, own)


def _bring_up_to_date(con: duckdb.DuckDBPyConnection, name: str, table: Table, own: tuple[str, ...]) -> None:
    """Give a table of an older warehouse the columns that the contract has got since; they are empty there."""
    wanted = [column.name for column in table.columns] + list(own)
    found = con.execute(
        "SELECT column_name FROM duckdb_columns() WHERE schema_name = 'core' AND table_name = ? ORDER BY column_index",
        [name],
    ).fetchall()
    present = [column for (column,) in found]
    if present == wanted or not set(present) <= set(wanted):
        return
    types = {column.name: SQL_TYPES[column.kind] for column in table.columns}
    columns = ", ".join(n if n in present else f"NULL::{types[n]} AS {n}" for n in wanted)
    run_sql(con, "core/renewed", table=name, columns=columns)
    for column in own:
        con.execute(f"ALTER TABLE core.{name} ALTER COLUMN {column} SET NOT NULL")
