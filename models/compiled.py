"""Numba's compiler behind two typed decorators."""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import ParamSpec, TypeVar, cast

import numba

P = ParamSpec("P")
R = TypeVar("R")


def compiled(function: Callable[P, R]) -> Callable[P, R]:
    """Compile a loop over arrays on first use, and keep the machine code on disk for the next run."""
    return cast(Callable[P, R], numba.njit(cache=True)(function))


def compiled_for_threads(function: Callable[P, R]) -> Callable[P, R]:
    """Compile likewise, and let other threads run meanwhile."""
    return cast(Callable[P, R], numba.njit(cache=True, nogil=True)(function))


def n_threads() -> int:
    """Return how many threads are worth starting: the processors this process may use, at most eight."""
    return max(
        1, min(8, len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1)
    )
