"""Fits that do not need each other, made side by side: one alone keeps one processor busy."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import TypeVar

from threadpoolctl import threadpool_limits

from models.compiled import n_threads

#: Fits in memory at once: in a large town each takes a gigabyte, and beyond so many looks several.
AT_ONCE = 2
MANY_LOOKS = 2_000_000

T = TypeVar("T")
R = TypeVar("R")


@contextmanager
def fitting_threads(n_looks: int = 0) -> Iterator[ThreadPoolExecutor]:
    """Yield threads to fit on, as many as there may be fits of so many looks at once."""
    at_once = 1 if n_looks > MANY_LOOKS else AT_ONCE
    # Such limits hold for the whole process. Fits set and lift theirs in any order, and so only within this one.
    with (
        threadpool_limits(1 if at_once > 1 else None),
        ThreadPoolExecutor(min(at_once, n_threads())) as threads,
    ):
        yield threads


def side_by_side(work: Callable[[T], R], items: Sequence[T]) -> list[R]:
    """Work at every item; what comes out is in their order, however many threads there are.

    Parameters
    ----------
    work : callable
        Takes an item.
    items : sequence
        At least one.

    Returns
    -------
    list
        What the work returned.
    """
    if len(items) == 1:
        return [work(items[0])]
    with fitting_threads() as threads:
        return list(threads.map(work, items))
