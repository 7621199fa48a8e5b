"""Threads that answer many readers at once, but each reader in the order in which the browser told of what was done."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from functools import partial
from threading import Lock
from typing import Any, ParamSpec, TypeVar

from bokeh.document import Document

P = ParamSpec("P")
Answer = TypeVar("Answer")


class InTurn(ThreadPoolExecutor):
    """A thread pool in which the work of one Bokeh document is done one piece after the other, in the order it came in.

    Panel hands a changed field and the click that follows it to the pool as two pieces of work (`panel.reactive`). On a busy
    machine a plain pool does the click first, which then reads what stood in the field before. Work of other documents,
    and work that names none, waits for nothing but a free thread.
    """

    def __init__(self, max_workers: int) -> None:
        super().__init__(max_workers=max_workers, thread_name_prefix="reader")
        self._turns: dict[Document, deque[Callable[[], None]]] = {}
        self._lock = Lock()

    def submit(self, fn: Callable[P, Answer], /, *args: P.args, **kwargs: P.kwargs) -> Future[Answer]:
        """Have work done, after all earlier work of the same document."""
        document = next((given for given in _given(fn, args) if isinstance(given, Document)), None)
        if document is None:
            return super().submit(fn, *args, **kwargs)
        future: Future[Answer] = Future()
        work = partial(_do, future, partial(fn, *args, **kwargs))
        with self._lock:
            is_first = document not in self._turns
            self._turns.setdefault(document, deque()).append(work)
            if is_first:
                super().submit(self._work_off, document)
        return future

    def _work_off(self, document: Document) -> None:
        turns = self._turns[document]
        while True:
            turns[0]()
            with self._lock:
                turns.popleft()
                if not turns:
                    del self._turns[document]
                    return


def _given(fn: Callable[..., Any], args: tuple[Any, ...]) -> Iterator[Any]:
    """All that a piece of work is given, also where it was wrapped with it."""
    yield from args
    while isinstance(fn, partial):
        yield from fn.args
        fn = fn.func


def _do(future: Future[Answer], work: Callable[[], Answer]) -> None:
    if not future.set_running_or_notify_cancel():
        return
    try:
        answer = work()
    except BaseException as fault:
        future.set_exception(fault)
    else:
        future.set_result(answer)
