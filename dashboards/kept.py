"""Answers that are kept for the other readers of the same records."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from typing import TypeVar, cast

Answer = TypeVar("Answer")


class Kept:
    """The newest answers, by what was asked; whoever takes one must leave it as it is.

    One belongs to one generation as one kind of account sees it, so that an answer never gets into other hands.

    Parameters
    ----------
    most : int
        Answers kept; the one that was asked for longest ago goes first.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._answers: OrderedDict[Hashable, object] = OrderedDict()
        self._lock = threading.Lock()

    def of(self, question: Hashable, answer: Callable[[], Answer]) -> Answer:
        """Return what is kept under a question, or find it out.

        Parameters
        ----------
        question : hashable
            What was asked, with all that the answer depends on.
        answer : callable
            Finds it out; nobody waits for it but who asked, so two may find out the same at once.
        """
        with self._lock:
            if question in self._answers:
                self._answers.move_to_end(question)
                return cast("Answer", self._answers[question])
        found = answer()
        with self._lock:
            self._answers[question] = found
            self._answers.move_to_end(question)
            while len(self._answers) > self._most:
                self._answers.popitem(last=False)
        return found
