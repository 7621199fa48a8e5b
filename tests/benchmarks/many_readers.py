"""Fifty readers of the dashboard at once, each of whom changes a filter every five seconds.

    .venv/bin/python -m tests.benchmarks.many_readers --workspace underlot-work

Each reader is a real session of a real server: the page is asked for, its document is pulled over the websocket,
and a filter is changed by the message that a browser would send. A wait ends with the message that brings the
words of the new view. No browser draws anything, so that the machine measures its server and not fifty browsers;
`tests.browser.measure_latency` measures what drawing adds.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import re
import tempfile
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from tornado.httpclient import AsyncHTTPClient, HTTPRequest
from tornado.websocket import WebSocketClientConnection, websocket_connect

from tests.browser.conftest import Server, cpu_seconds, running_server

READERS, THINK_S, SECONDS = 50, 5.0, 60.0
#: A document of all areas of a large town is long.
LONGEST_MESSAGE = 256 * 2**20
SETTLED_S = 0.5
#: What a browser says when it has drawn the page; parts of pages are only sent after it.
READY = {
    "kind": "MessageSent",
    "msg_type": "bokeh_event",
    "msg_data": {"type": "event", "name": "document_ready", "values": {"type": "map", "entries": []}},
}


@dataclass(frozen=True, slots=True)
class Habit:
    """What a reader does on a page.

    Attributes
    ----------
    page : str
        Word of the page in the address.
    widget : str
        Title of the filter that is changed.
    last : tuple of str
        Words of the last pieces of the page that change with it; of some values one piece stays as it is.
    """

    page: str
    widget: str
    last: tuple[str, ...]


HABITS = (
    Habit("map", "Looked at from", ("of them looked at", '"attr":"markup"')),
    Habit("map", "Subdivision", ("of them looked at", '"attr":"markup"')),
    Habit("age", "Looked at from", ("Looks by age",)),
    Habit("where", "Subdivision", ("against chance",)),
)


@dataclass
class Told:
    """Waits [s] by what was waited for, faults, and processor time of the server [s]."""

    waits: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    faults: list[str] = field(default_factory=list)
    worked: dict[str, float] = field(default_factory=dict)


class Reader:
    """One session without a browser."""

    def __init__(self, address: str, habit: Habit) -> None:
        self._address, self._habit = address, habit
        self._socket: WebSocketClientConnection
        self._widget: dict[str, Any] = {}
        self._n_asked = 0
        self._inbox: asyncio.Queue[tuple[str, str] | None] = asyncio.Queue()
        self._listening: asyncio.Task[None]

    async def open(self) -> None:
        """Ask for the page and pull its document."""
        url = f"{self._address}/?page={self._habit.page}"
        answer = await AsyncHTTPClient().fetch(HTTPRequest(url, request_timeout=120))
        found = re.search(r'"token":"([^"]+)"', answer.body.decode("utf-8"))
        assert found, "the page holds no session"
        self._socket = await websocket_connect(
            HTTPRequest(f"{self._address.replace('http', 'ws')}/ws", headers={"Origin": self._address}),
            subprotocols=["bokeh", found[1]],
            max_message_size=LONGEST_MESSAGE,
        )
        self._listening = asyncio.create_task(self._listen())
        await self._message()  # the server's greeting
        await self._send("PULL-DOC-REQ", {})
        while True:
            kind, content = await self._message()
            if kind == "PULL-DOC-REPLY":
                break
        self._widget = _titled(json.loads(content), self._habit.widget)
        await self._send("PATCH-DOC", {"events": [READY]})

    def choices(self) -> list[str]:
        """Values of the filter, without that for everything."""
        options = self._widget["attributes"]["options"]
        values = [option[0] if isinstance(option, list) else option for option in options]
        return [value for value in values if value]

    async def choose(self, value: str) -> None:
        """Change the filter, and wait until the page tells the new view."""
        event = {"kind": "ModelChanged", "model": {"id": self._widget["id"]}, "attr": "value", "new": value}
        await self._send("PATCH-DOC", {"events": [event]})
        content = ""
        while not any(words in content for words in self._habit.last):
            _kind, content = await self._message(timeout=30.0)

    async def settle(self) -> None:
        """Take in what else the page sends, until it is still."""
        try:
            while True:
                await self._message(timeout=SETTLED_S)
        except TimeoutError:
            return

    def close(self) -> None:
        """Leave."""
        self._socket.close()

    async def _send(self, kind: str, content: dict[str, Any]) -> None:
        self._n_asked += 1
        for part in ({"msgid": str(self._n_asked), "msgtype": kind}, {}, content):
            await self._socket.write_message(json.dumps(part))

    async def _message(self, timeout: float = 120.0) -> tuple[str, str]:
        message = await asyncio.wait_for(self._inbox.get(), timeout)
        if message is None:
            msg = "the server closed the session"
            raise ConnectionError(msg)
        return message

    async def _listen(self) -> None:
        """Put each message, which comes in several frames, into the inbox; None when the session ends."""
        read = self._socket.read_message
        while (frame := await read()) is not None:
            header = json.loads(frame)
            await read()
            content = str(await read())
            for _ in range(2 * header.get("num_buffers", 0)):
                await read()
            self._inbox.put_nowait((header["msgtype"], content))
        self._inbox.put_nowait(None)


def _titled(tree: Any, title: str) -> dict[str, Any]:
    """The model of a widget in a document, by its title."""
    return next(part for part in _dicts(tree) if part.get("attributes", {}).get("title") == title)


def _dicts(tree: Any) -> Iterator[dict[str, Any]]:
    parts = tree.values() if isinstance(tree, dict) else tree if isinstance(tree, list) else ()
    if isinstance(tree, dict):
        yield tree
    for part in parts:
        yield from _dicts(part)


async def _at_work(reader: Reader, habit: Habit, number: int, told: Told, until: float) -> None:
    """One reader's changes, the first at a moment of its own."""
    rng = np.random.default_rng(number)
    clock = asyncio.get_running_loop().time
    choices, chosen = reader.choices(), ""
    due = clock() + rng.uniform(0, THINK_S)
    while due < until:
        await asyncio.sleep(max(0.0, due - clock()))
        started = clock()
        # The same again would change nothing.
        chosen = str(rng.choice([choice for choice in choices if choice != chosen]))
        await reader.choose(chosen)
        told.waits[f"{habit.page}: {habit.widget}"].append(clock() - started)
        await reader.settle()
        due = max(due + THINK_S, clock())


async def _all(server: Server, habits: Sequence[Habit], n_readers: int, seconds: float) -> Told:
    told, loop = Told(), asyncio.get_running_loop()
    reading = [Reader(server.address, habits[i % len(habits)]) for i in range(n_readers)]
    before = cpu_seconds(server)
    for reader in reading:
        started = loop.time()
        await reader.open()
        told.waits["opened"].append(loop.time() - started)
    for reader in reading:
        await reader.settle()
    began, opened = loop.time(), cpu_seconds(server)
    done = await asyncio.gather(
        *(
            _at_work(reader, habits[i % len(habits)], i, told, began + seconds)
            for i, reader in enumerate(reading)
        ),
        return_exceptions=True,
    )
    told.faults = [
        f"{habits[i % len(habits)].page}: {type(fault).__name__} {fault}"
        for i, fault in enumerate(done)
        if fault is not None
    ]
    for reader in reading:
        reader.close()
    told.worked = {"opening": opened - before, "changes": cpu_seconds(server) - opened}
    return told


def main() -> None:
    """Measure, and print a line for each kind of change."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--workspace", type=Path, required=True)
    parser.add_argument("--readers", type=int, default=READERS)
    parser.add_argument("--seconds", type=float, default=SECONDS)
    parser.add_argument("--page", help="all readers on this page; without it, on all pages with filters")
    asked = parser.parse_args()
    habits = [habit for habit in HABITS if asked.page in {None, habit.page}]
    with (
        tempfile.TemporaryDirectory() as scratch,
        running_server(asked.workspace.resolve(), Path(scratch) / "server.log") as server,
    ):
        told = asyncio.run(_all(server, habits, asked.readers, asked.seconds))
        faults = [*told.faults, *(line for line in server.log().splitlines() if "rror" in line)]
    changes = [wait for what, waits in told.waits.items() if what != "opened" for wait in waits]
    for what, waits in {**told.waits, "all changes": changes}.items():
        middle, high = np.percentile(waits, [50, 95])
        print(f"{what}: {middle:.2f} s, p95 {high:.2f} s, longest {max(waits):.2f} s ({len(waits)} times)")  # noqa: T201
    each = told.worked["changes"] / len(changes), told.worked["opening"] / asked.readers
    print(f"processor of the server: {each[0]:.3f} s a change, {each[1]:.2f} s a page; {len(faults)} faults")  # noqa: T201
    for fault in faults[:10]:
        print(fault)  # noqa: T201


if __name__ == "__main__":
    main()
