"""What the server logs: faults, and not that a reader closed a page."""

import asyncio

import pytest
from tornado.iostream import StreamClosedError
from tornado.websocket import WebSocketClosedError

from dashboards.serve import _log_unless_reader_left


@pytest.mark.parametrize(
    ("fault", "is_logged"),
    [(WebSocketClosedError(), False), (StreamClosedError(), False), (ValueError(), True)],
)
def test_a_closed_page_is_no_fault(fault, is_logged):
    loop, logged = asyncio.new_event_loop(), []
    try:
        loop.default_exception_handler = logged.append
        _log_unless_reader_left(loop, {"message": "a task ended", "exception": fault})
    finally:
        loop.close()
    assert bool(logged) is is_logged
