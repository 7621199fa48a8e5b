"""Work of one page in order, work of several pages at once."""

from __future__ import annotations

import time
from functools import partial
from threading import Barrier, Event

import pytest
from bokeh.document import Document

from dashboards.in_turn import InTurn

WAIT_S = 10


def noted(_document: Document, done: list[str], name: str, after_s: float = 0) -> str:
    time.sleep(after_s)
    done.append(name)
    return name


def test_a_click_waits_for_the_field_that_was_changed_before_it() -> None:
    page = Document()
    done: list[str] = []
    with InTurn(4) as pool:
        pool.submit(noted, page, done, "field", 0.2)
        clicked = pool.submit(noted, page, done, "click")
        assert clicked.result(WAIT_S) == "click"
    assert done == ["field", "click"]


def test_a_hundred_pieces_keep_their_order() -> None:
    page = Document()
    done: list[str] = []
    names = [str(number) for number in range(100)]
    with InTurn(8) as pool:
        futures = [pool.submit(noted, page, done, name) for name in names]
        assert [future.result(WAIT_S) for future in futures] == names
    assert done == names


def test_pages_do_not_wait_for_each_other() -> None:
    meeting = Barrier(3, timeout=WAIT_S)
    with InTurn(3) as pool:
        futures = [pool.submit(lambda _page: meeting.wait(), Document()) for _ in range(3)]
        assert sorted(future.result(WAIT_S) for future in futures) == [0, 1, 2]


def test_work_that_names_no_page_waits_for_none() -> None:
    page, may_end = Document(), Event()
    with InTurn(2) as pool:
        held = pool.submit(lambda _page: may_end.wait(WAIT_S), page)
        assert pool.submit(lambda: "answered").result(WAIT_S) == "answered"
        may_end.set()
        assert held.result(WAIT_S)


def test_a_page_wrapped_into_the_work_counts_too() -> None:
    page = Document()
    done: list[str] = []
    with InTurn(4) as pool:
        pool.submit(partial(partial(noted, page), done), "field", 0.2)
        pool.submit(noted, page, done, "click").result(WAIT_S)
    assert done == ["field", "click"]


def test_a_fault_goes_to_who_asked_and_the_next_piece_is_done() -> None:
    page = Document()
    done: list[str] = []

    def fault(_page: Document) -> None:
        raise ValueError("no such street")

    with InTurn(1) as pool:
        failed = pool.submit(fault, page)
        pool.submit(noted, page, done, "click").result(WAIT_S)
        with pytest.raises(ValueError, match="no such street"):
            failed.result(WAIT_S)
    assert done == ["click"]


def test_work_that_was_called_off_is_left_out() -> None:
    page, may_go_on = Document(), Event()
    done: list[str] = []
    with InTurn(1) as pool:
        pool.submit(lambda _page: may_go_on.wait(WAIT_S), page)
        called_off = pool.submit(noted, page, done, "called off")
        last = pool.submit(noted, page, done, "last")
        assert called_off.cancel()
        may_go_on.set()
        assert last.result(WAIT_S) == "last"
    assert done == ["last"]
