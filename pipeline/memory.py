"""Memory that the program has freed, handed back to the system."""

from __future__ import annotations

import ctypes
import sys

#: Number by which glibc's `mallopt` knows the size from which an array is a piece of memory of its own.
M_MMAP_THRESHOLD = -3
#: That size [bytes]. Left alone glibc raises it to 32 MB, and keeps what is freed below it.
OWN_PIECE = 4 * 2**20


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


def _from_glibc(name: str) -> ctypes._NamedFuncPointer | None:
    return getattr(ctypes.CDLL(None), name, None) if sys.platform.startswith("linux") else None
