"""Fits side by side: in order, two at a time, and no limit of threads left behind."""

import threading
import time

import pytest
from threadpoolctl import threadpool_info, threadpool_limits

from pipeline.steps.side_by_side import AT_ONCE, MANY_LOOKS, fitting_threads, side_by_side


def blas_threads():
    return [library["num_threads"] for library in threadpool_info() if library["user_api"] == "blas"]


def test_what_comes_out_is_in_the_order_of_what_went_in():
    def work(seconds):
        time.sleep(seconds)
        return seconds

    assert side_by_side(work, [0.05, 0.0, 0.02]) == [0.05, 0.0, 0.02]


class Counted:
    """Work that counts how much of it is done at once."""

    def __init__(self):
        self.now = self.most = 0
        self._lock = threading.Lock()

    def __call__(self, _):
        with self._lock:
            self.now += 1
            self.most = max(self.most, self.now)
        time.sleep(0.01)
        with self._lock:
            self.now -= 1


def test_no_more_work_is_in_memory_at_once_than_was_said():
    work = Counted()
    side_by_side(work, range(8))
    assert work.most <= AT_ONCE


def test_limits_of_threads_that_overlap_are_lifted_in_the_end():
    def work(seconds):
        with threadpool_limits(1, user_api="blas"):
            time.sleep(seconds)
        return max(blas_threads())

    with threadpool_limits(2, user_api="blas"):
        # The second begins within the limit of the first and ends after it: alone it would leave its own behind.
        assert side_by_side(work, [0.02, 0.05]) == [1, 1]
        assert set(blas_threads()) == {2}


def test_what_goes_wrong_in_one_is_raised():
    with pytest.raises(ZeroDivisionError):
        side_by_side(lambda x: 1 / x, [1, 0])


def test_fits_of_very_many_looks_wait_for_each_other():
    work = Counted()
    with fitting_threads(MANY_LOOKS + 1) as threads:
        list(threads.map(work, range(4)))
    assert work.most == 1
