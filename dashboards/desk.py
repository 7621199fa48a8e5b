"""Hands long work to a process of its own, so that one user's file or build holds up nobody else's page."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import re
import secrets
import shutil
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pipeline
from pipeline.errors import InputFileError, UnderlotError
from pipeline.settings import Workspace

#: Told a sentence, and the share that is done where it is known.
Stage = Callable[[str, float | None], None]

LARGEST_MB = 50
#: Kinds of file that can be one upload; a shapefile is several files and is loaded by the command.
KINDS = (
    ".csv",
    ".tsv",
    ".txt",
    ".tab",
    ".xlsx",
    ".xlsm",
    ".xlsb",
    ".xls",
    ".ods",
    ".parquet",
    ".geojson",
    ".gpkg",
)
UPLOADS = "uploads"
#: An upload that nobody has touched for this long will not be loaded any more [s].
ABANDONED_S = 24 * 3600.0
#: Length of a line of the answer [bytes]; a proposal for a very wide file is long.
LONGEST_LINE = 64 * 2**20


class DeskError(UnderlotError):
    """The work could not be done; the text says why."""


async def ask(workspace: Workspace, do: str, on_stage: Stage, **request: Any) -> Any:
    """Have one piece of work done in another process.

    Parameters
    ----------
    workspace : Workspace
        Where.
    do : str
        A key of `pipeline.desk.ACTIONS`.
    on_stage : callable
        Told how the work gets on.
    **request
        What that action needs.

    Returns
    -------
    object
        The answer.

    Raises
    ------
    DeskError
        A file or the records cannot be used, or the process ended early.
    """
    home = str(Path(pipeline.__file__).resolve().parent.parent)
    # -P: a stranger's models.py in the current folder must not be taken for ours.
    child = await asyncio.create_subprocess_exec(
        sys.executable, "-P", "-m", "pipeline.desk",
        stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.DEVNULL,
        env={**os.environ, "PYTHONPATH": home}, limit=LONGEST_LINE,
    )  # fmt: skip
    assert child.stdin is not None
    assert child.stdout is not None
    question = {"do": do, "workspace": str(workspace.root), **request}
    child.stdin.write(json.dumps(question, default=str).encode())
    child.stdin.close()
    async for line in child.stdout:
        told = json.loads(line)
        if "stage" in told:
            on_stage(told["stage"], told.get("share"))
        elif "fault" in told:
            raise DeskError(told["fault"])
        else:
            return told["answer"]
    raise DeskError(
        "The work was stopped before it was done; the records are as they were. Try again, and look at the memory "
        "of this machine if it happens twice."
    )


class Upload:
    """One uploaded file in a folder of its own, until it is loaded or given up."""

    def __init__(self, workspace: Workspace, name: str, content: bytes | str) -> None:
        data = content.encode("utf-8") if isinstance(content, str) else content
        safe = re.sub(r"[^\w .()-]", "_", Path(name).name)[-120:].lstrip(".") or "file"
        if Path(safe).suffix.lower() not in KINDS:
            raise InputFileError(
                safe, "this kind of file cannot be dropped here.", f"Kinds: {', '.join(KINDS)}."
            )
        if len(data) > LARGEST_MB * 2**20:
            raise InputFileError(
                safe, f"it is larger than {LARGEST_MB} MB.", "Load it with `underlot load FILE` instead."
            )
        self.path = _new_folder(workspace) / safe
        self.path.write_bytes(data)


def throw_away(path: Path) -> None:
    """Remove an uploaded file and its folder; its rows, once loaded, are kept in the warehouse as they were given."""
    shutil.rmtree(path.parent, ignore_errors=True)


def throw_away_abandoned(workspace: Workspace, *, now: float | None = None) -> None:
    """Remove uploads of pages that were left without a load, once they are older than `ABANDONED_S`.

    Parameters
    ----------
    workspace : Workspace
        Where.
    now : float, optional
        The present, in seconds since 1970.
    """
    oldest = (time.time() if now is None else now) - ABANDONED_S
    for folder in (workspace.root / UPLOADS).glob("*"):
        with contextlib.suppress(OSError):  # another dashboard may be clearing up too
            if max(path.stat().st_mtime for path in (folder, *folder.glob("*"))) < oldest:
                shutil.rmtree(folder)


def place_for(workspace: Workspace, name: str) -> Path:
    """Return a path in a folder of its own, for a file that the desk writes."""
    return _new_folder(workspace) / name


def _new_folder(workspace: Workspace) -> Path:
    folder = workspace.root / UPLOADS / secrets.token_hex(8)
    folder.mkdir(parents=True, mode=0o700)
    return folder
