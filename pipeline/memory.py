"""Memory that the program has freed, handed back to the system; and finished tables that wait on disk."""

from __future__ import annotations

import contextlib
import ctypes
import sys
import tempfile
from pathlib import Path

import polars as pl
import pyarrow.ipc

#: Number by which glibc's `mallopt` knows the size from which an array is a piece of memory of its own.
M_MMAP_THRESHOLD = -3
#: That size [bytes]. Left alone glibc raises it to 32 MB, and keeps what is freed below it.
OWN_PIECE = 4 * 2**20
#: Size from which a table is put away [bytes].
WORTH_A_FILE = 8 * 2**20


def keep_little() -> None:
    """Have large arrays go back to the system when they are freed: of a large town that is gigabytes.

    Only glibc can be told; elsewhere nothing happens.
    """
    change = _from_glibc("mallopt")
    if change is not None:
        change(M_MMAP_THRESHOLD, OWN_PIECE)


def give_back() -> None:
    """Hand back what glibc keeps of smaller pieces for later: each stage asks for other sizes, so that adds up."""
    trim = _from_glibc("malloc_trim")
    if trim is not None:
        trim(0)


def put_away(frame: pl.DataFrame, folder: Path) -> pl.DataFrame:
    """Have a finished table wait on disk; the system reads back what is asked for, and drops it when memory is short.

    Parameters
    ----------
    frame : DataFrame
    folder : Path
        On a disk: what lies in the system's folder for temporary files may lie in memory.

    Returns
    -------
    DataFrame
        The same rows. As given where it is small, where the disk refuses it, and on Windows, where a file that is in
        use keeps its name and would be left behind by a build that is killed.
    """
    if sys.platform == "win32" or frame.estimated_size() < WORTH_A_FILE:
        return frame
    with contextlib.suppress(OSError), tempfile.NamedTemporaryFile(dir=folder, suffix=".arrow") as file:
        # In one piece, for polars would copy several into one.
        frame.write_ipc(file.name, record_batch_size=frame.height)
        # The rows outlive the name of their file, for they are mapped.
        mapped = pyarrow.ipc.open_file(pyarrow.memory_map(file.name)).read_all()
        return pl.DataFrame(mapped)
    return frame


def _from_glibc(name: str) -> ctypes._NamedFuncPointer | None:
    return getattr(ctypes.CDLL(None), name, None) if sys.platform.startswith("linux") else None
