"""Reading what was published: read-only, locked down, with bound parameters only.

Dashboards, reports and `underlot score` come through here. It must not import the warehouse or the steps:
a machine that only shows results needs the `published` folder and nothing else.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from pipeline.errors import PublishedError
from pipeline.published import contract
from pipeline.published.scope import Scope
from pipeline.settings import Workspace

#: A published file is data, not a program: no files, no network, no extensions, no changed settings.
LOCKED_DOWN: dict[str, str | bool | int | float | list[str]] = {
    "autoinstall_known_extensions": False,
    "autoload_known_extensions": False,
    "allow_community_extensions": False,
    "allow_extension_repositories": "forbidden",
    "enable_external_access": False,
    "threads": 2,
    "memory_limit": "2GB",
}


@dataclass(frozen=True, slots=True)
class PublishedReader:
    """One published generation, open for reading; safe to share between threads.

    Attributes
    ----------
    folder : Path
        The `published` folder.
    generation : str
        Name of the generation that this reader holds.
    manifest : dict
        Content of its `manifest.json`.
    scope : Scope or None
        Whose rows alone are there; None means all.
    """

    folder: Path
    generation: str
    manifest: dict[str, Any]
    scope: Scope | None
    _connection: duckdb.DuckDBPyConnection = field(repr=False)
    _lock: threading.Lock = field(default_factory=threading.Lock, repr=False)

    def query(self, sql: str, parameters: Sequence[Any] = ()) -> pl.DataFrame:
        """Run one SELECT and return its rows.

        Parameters
        ----------
        sql : str
            Text with `?` for each value; never put a user's text into it.
        parameters : sequence
            Values for the question marks.

        Returns
        -------
        polars.DataFrame

        Raises
        ------
        PublishedError
            The reader was closed, or the statement is none that published tables can answer.
        """
        try:
            with self._lock:
                cursor = self._connection.cursor()
            with cursor:
                rows: pl.DataFrame = cursor.sql(sql, params=list(parameters)).pl()
            return rows
        except duckdb.Error as exc:
            raise PublishedError(f"{self.generation}: the published tables gave no answer ({exc}).") from exc

    def table(self, name: str) -> pl.DataFrame:
        """Return a whole published table, sorted by its key.

        Raises
        ------
        PublishedError
            No such table.
        """
        if name not in contract.TABLES:
            raise PublishedError(f"There is no published table '{name}'.")
        keys = ", ".join(f'"{key}"' for key in contract.TABLES[name].key)
        return self.query(f'SELECT * FROM "{name}" ORDER BY {keys}')  # noqa: S608 - names of the contract

    def run(self) -> dict[str, Any]:
        """Return the one row of table `run`."""
        return self.table("run").row(0, named=True)

    def is_stale(self) -> bool:
        """Say whether a newer generation has been published since."""
        try:
            return _pointed(self.folder) != self.generation
        except PublishedError:
            return False

    def close(self) -> None:
        """Give the file back."""
        with self._lock:
            self._connection.close()

    def __enter__(self) -> PublishedReader:
        """Return the reader itself."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close the reader."""
        self.close()


def open_current(place: Workspace | Path | str, scope: Scope | None = None) -> PublishedReader:
    """Open the newest published generation.

    Parameters
    ----------
    place : Workspace, Path or str
        A workspace, its folder, or a `published` folder.
    scope : Scope, optional
        Whose rows alone are to be there; None means all.

    Returns
    -------
    PublishedReader

    Raises
    ------
    PublishedError
        Nothing is published there, or it was published by another version, or the file is damaged.
    """
    folder = _folder(place)
    # A build may remove the generation between reading the pointer and opening the file: look again once.
    for _ in range(2):
        name = _pointed(folder)
        if (folder / name).is_dir():
            break
    manifest = _manifest(folder / name)
    version = manifest.get("contract_version")
    if version != contract.CONTRACT_VERSION:
        msg = (
            f"{folder / name}: published in form {version}, but this program reads form "
            f"{contract.CONTRACT_VERSION}. Run `underlot build` again."
        )
        raise PublishedError(msg)
    connection = _connect(folder / name / contract.DATABASE_NAME, scope)
    return PublishedReader(folder, name, manifest, scope, connection)


def _folder(place: Workspace | Path | str) -> Path:
    if isinstance(place, Workspace):
        return place.published
    path = Path(place)
    return path / "published" if (path / "published").is_dir() else path


def _pointed(folder: Path) -> str:
    try:
        name = (folder / contract.POINTER_NAME).read_text(encoding="utf-8").strip()
    except FileNotFoundError as exc:
        msg = f"{folder}: nothing has been published yet. Run `underlot build` first."
        raise PublishedError(msg) from exc
    except (OSError, UnicodeDecodeError) as exc:
        raise PublishedError(f"{folder}: cannot be read ({exc}). Check its permissions.") from exc
    if not name.startswith("gen-") or Path(name).name != name:
        msg = f"{folder / contract.POINTER_NAME}: names no generation. Run `underlot build` again."
        raise PublishedError(msg)
    return name


def _manifest(generation: Path) -> dict[str, Any]:
    try:
        content = json.loads((generation / contract.MANIFEST_NAME).read_text(encoding="utf-8"))
    except (OSError, ValueError) as exc:
        msg = (
            f"{generation}: its {contract.MANIFEST_NAME} cannot be read ({exc}). Run `underlot build` again."
        )
        raise PublishedError(msg) from exc
    if not isinstance(content, dict):
        msg = f"{generation}: its {contract.MANIFEST_NAME} is damaged. Run `underlot build` again."
        raise PublishedError(msg)
    return content


def _connect(path: Path, scope: Scope | None) -> duckdb.DuckDBPyConnection:
    try:
        connection = _whole(path) if scope is None else _restricted(path, scope)
        connection.execute("SET enable_progress_bar = false")
        connection.execute("SET lock_configuration = true")
    except duckdb.Error as exc:
        msg = f"{path}: cannot be opened ({exc}). Run `underlot build` again."
        raise PublishedError(msg) from exc
    return connection


def _whole(path: Path) -> duckdb.DuckDBPyConnection:
    return duckdb.connect(str(path), read_only=True, config=LOCKED_DOWN)


def _restricted(path: Path, scope: Scope) -> duckdb.DuckDBPyConnection:
    """Open an empty database whose views show the scope's rows of the file, then lock it down."""
    # The file can only be attached while files may be opened at all.
    connection = duckdb.connect(":memory:", config={**LOCKED_DOWN, "enable_external_access": True})
    quoted = str(path).replace("'", "''")
    connection.execute(f"ATTACH '{quoted}' AS published (READ_ONLY)")
    for view in scope.views("published.main"):
        connection.execute(view)
    connection.execute("SET enable_external_access = false")
    return connection
