"""Fits side by side: in order, two at a time, and no limit of threads left behind."""

import threading
import time

import pytest
from threadpoolctl import threadpool_info, threadpool_limits

from pipeline.steps.side_by_side import AT_ONCE, side_by_side


def blas_threads():
    return [library["num_threads"] for library in threadpool_info() if library["user_api"] == "blas"]


def test_what_comes_out_is_in_the_order_of_what_went_in():
    def work(seconds):
        time.sleep(seconds)
        return seconds

    assert side_by_side(work, [0.05, 0.0, 0.02]) == [0.05, 0.0, 0.02]


def test_no_more_work_is_in_memory_at_once_than_was_said():
    running, most, lock = [0], [0], threading.Lock()

    def work(_):
        with lock:
            running[0] += 1
            most[0] = max(most[0], running[0])
        time.sleep(0.01)
        with lock:
            running[0] -= 1

    side_by_side(work, range(8))
    assert most[0] <= AT_ONCE


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
