"""Numba's compiler behind two typed decorators."""

from __future__ import annotations

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
