"""Writing one generation of the published database, all of it or nothing.

A generation is built in a folder that no reader looks at, made durable, renamed, and only then pointed at.
Called by `pipeline.steps.build`; readers use `pipeline.published.read`.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from pipeline.errors import PublishedError
from pipeline.published import contract
from pipeline.published.lot_sets import MADE, with_sets

PREFIX = "gen-"
UNFINISHED = ".tmp"

POLARS_TYPES: dict[contract.Kind, Any] = {
    "text": pl.String,
    "integer": pl.Int64,
    "number": pl.Float64,
    "flag": pl.Boolean,
    "date": pl.Date,
    "timestamp": pl.Datetime("us"),
    "numbers": pl.List(pl.Float32),
}


def empty(table: contract.PublishedTable) -> pl.DataFrame:
    """Return the table without rows."""
    return pl.DataFrame(schema={column.name: POLARS_TYPES[column.kind] for column in table.columns})


def conform(table: contract.PublishedTable, frame: pl.DataFrame) -> pl.DataFrame:
    """Return the frame with exactly the contract's columns, types and order of rows.

    Raises
    ------
    PublishedError
        A column is missing, or is one the contract does not know.
    """
    _check_columns(table, frame)
    typed = frame.select(pl.col(c.name).cast(POLARS_TYPES[c.kind]) for c in table.columns)
    return typed.with_columns(pl.col(pl.Float64).fill_nan(None)).sort(table.key, nulls_last=True)


def _check_columns(table: contract.PublishedTable, frame: pl.DataFrame) -> None:
    missing = [name for name in table.names if name not in frame.columns]
    unknown = [name for name in frame.columns if name not in table.names]
    if missing or unknown:
        msg = f"Published table {table.name}: missing columns {missing}, unknown columns {unknown}."
        raise PublishedError(msg)


def publish(folder: Path, frames: Mapping[str, pl.DataFrame], manifest: Mapping[str, Any]) -> str:
    """Write a new generation and point at it.

    Parameters
    ----------
    folder : Path
        The workspace's `published` folder; made where absent.
    frames : mapping of str to DataFrame
        One frame for each table of the contract; what `lot_sets` makes may be left out.
    manifest : mapping
        What stands in `manifest.json` besides the contract version and the row counts.

    Returns
    -------
    str
        Name of the generation.

    Raises
    ------
    PublishedError
        A table is missing or has the wrong columns, or the disk refuses the work. What was published
        before stays as it was.
    """
    missing = [name for name in contract.TABLES if name not in frames and name not in MADE]
    if missing:
        raise PublishedError(f"Nothing was published: tables {missing} are missing.")
    whole = with_sets(frames)
    for name, table in contract.TABLES.items():
        _check_columns(table, whole[name])
    try:
        folder.mkdir(parents=True, exist_ok=True)
        _remove_unfinished(folder)
        previous = _pointed(folder)
        name = _next_name(folder)
        _write_generation(folder, name, whole, manifest)
        _point_at(folder, name)
        _remove_all_but(folder, {name, previous})
    except (OSError, duckdb.Error) as exc:
        msg = (
            f"{folder}: publishing failed ({exc}). What was published before is unchanged. "
            "Free some space or mend the folder's permissions, then run `underlot build` again."
        )
        raise PublishedError(msg) from exc
    return name


def _write_generation(
    folder: Path, name: str, frames: Mapping[str, pl.DataFrame], manifest: Mapping[str, Any]
) -> None:
    part = folder / f"{name}{UNFINISHED}"
    part.mkdir()
    try:
        _write_database(part / contract.DATABASE_NAME, frames)
        counts = {table: frames[table].height for table in contract.TABLES}
        _write_manifest(part / contract.MANIFEST_NAME, {**manifest, "generation": name, "rows": counts})
        _sync_folder(part)
        part.replace(folder / name)
    except (OSError, duckdb.Error):
        shutil.rmtree(part, ignore_errors=True)
        raise
    _sync_folder(folder)


def _write_database(path: Path, frames: Mapping[str, pl.DataFrame]) -> None:
    connection = duckdb.connect(str(path), config={"threads": 2})
    try:
        connection.execute("SET enable_progress_bar = false")
        for name, table in contract.TABLES.items():
            columns = ", ".join(f'"{c.name}" {contract.SQL_TYPES[c.kind]}' for c in table.columns)
            connection.execute(f'CREATE TABLE "{name}" ({columns})')
            # One table at a time: those of a large town together are gigabytes.
            connection.register("incoming", conform(table, frames[name]).to_arrow())
            connection.execute(f'INSERT INTO "{name}" SELECT * FROM incoming')  # noqa: S608 - name of the contract
            connection.unregister("incoming")
            for column in table.columns:
                comment = f"{column.text} [{column.unit}]" if column.unit else column.text
                quoted = comment.replace("'", "''")
                connection.execute(f'COMMENT ON COLUMN "{name}"."{column.name}" IS \'{quoted}\'')
        connection.execute("CHECKPOINT")
    finally:
        connection.close()
    _sync_file(path)


def _write_manifest(path: Path, manifest: Mapping[str, Any]) -> None:
    content = {"contract_version": contract.CONTRACT_VERSION, **manifest}
    path.write_text(json.dumps(content, indent=2, sort_keys=True, default=str) + "\n", encoding="utf-8")
    _sync_file(path)


def _point_at(folder: Path, name: str) -> None:
    part = folder / f"{contract.POINTER_NAME}{UNFINISHED}"
    part.write_text(f"{name}\n", encoding="utf-8")
    _sync_file(part)
    os.replace(part, folder / contract.POINTER_NAME)
    _sync_folder(folder)


def _next_name(folder: Path) -> str:
    numbers = [int(path.name.removeprefix(PREFIX)) for path in _finished(folder)]
    return f"{PREFIX}{max(numbers, default=0) + 1:06d}"


def _finished(folder: Path) -> list[Path]:
    return sorted(
        path
        for path in folder.glob(f"{PREFIX}*")
        if path.is_dir() and path.name.removeprefix(PREFIX).isdigit()
    )


def _remove_unfinished(folder: Path) -> None:
    """Clear what a killed build left behind; only one build runs at a time (warehouse.lock)."""
    for path in folder.glob(f"{PREFIX}*{UNFINISHED}"):
        shutil.rmtree(path)


def _pointed(folder: Path) -> str | None:
    """Name of the generation that readers use at the moment."""
    pointer = folder / contract.POINTER_NAME
    return pointer.read_text(encoding="utf-8").strip() if pointer.exists() else None


def _remove_all_but(folder: Path, kept: set[str | None]) -> None:
    """Keep the new generation and the one that open pages still read."""
    for path in _finished(folder):
        if path.name not in kept:
            shutil.rmtree(path, ignore_errors=True)


def _sync_file(path: Path) -> None:
    with path.open("rb+") as file:
        os.fsync(file.fileno())


def _sync_folder(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
