"""Serves the dashboard: to browsers on this machine, or to a network where accounts are kept."""

from __future__ import annotations

import asyncio
import errno
import ipaddress
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from panel.io.server import get_server
from tornado.iostream import StreamClosedError
from tornado.websocket import WebSocketClosedError

from dashboards import desk
from dashboards.access import Gate
from dashboards.app import PAGES, Page, make_app, set_up_panel
from dashboards.data import Library
from dashboards.warm_up import warm_up
from pipeline.accounts import Accounts, session_key
from pipeline.errors import UnderlotError
from pipeline.settings import Workspace

ADDRESS = "127.0.0.1"
DEFAULT_PORT = 5006
THREADS = 4


class ServeError(UnderlotError):
    """The dashboard cannot be served."""

    exit_code = 2


def serve(
    workspace: Path | Workspace,
    *,
    port: int = DEFAULT_PORT,
    open_browser: bool = True,
    address: str = ADDRESS,
    origins: Sequence[str] = (),
    pages: Mapping[str, Page] = PAGES,
) -> None:
    """Serve the dashboard until it is stopped (Ctrl+C); prints its address when it answers.

    A generation published meanwhile is shown to every page that is opened, or reloaded, after that. Where
    the workspace has accounts, every page asks for one.

    Parameters
    ----------
    workspace : Path or Workspace
        The workspace, or its folder.
    port : int
        Port to listen on.
    open_browser : bool
        Open the pages in the browser.
    address : str
        Address to listen on; any but this machine's own needs accounts.
    origins : sequence of str
        Names (with port) under which browsers reach the dashboard, besides the address itself.
    pages : mapping of str to callable
        Page builders under the words that choose them in the address.

    Raises
    ------
    ServeError
        The port is in use or may not be used, or others could reach it and there are no accounts.
    """
    place = workspace if isinstance(workspace, Workspace) else Workspace(workspace)
    accounts = Accounts(place)
    if not _is_this_machine(address) and not accounts.by_name:
        raise ServeError(
            f"Others could reach {address}, and this workspace has no accounts, so nothing is served there. "
            "Add one with `underlot accounts add NAME`, or leave --address out to serve this machine only."
        )
    set_up_panel(threads=THREADS)
    desk.throw_away_abandoned(place)
    library = Library(place)
    # As the machine's own user, who sees everything: what is kept of it reaches nobody who sees less.
    warm_up(make_app(library, pages))
    app = make_app(library, pages, place if accounts.by_name else None)
    own = [f"{name}:{port}" for name in {address, ADDRESS, "localhost"}]
    try:
        server = get_server(
            {"/": app},
            port=port,
            address=address,
            websocket_origin=[*own, *origins],
            title="Underlot",
            show=open_browser,
            **(_gate(place) if accounts.by_name else {}),
        )
    except OSError as fault:
        raise ServeError(_port_problem(port, address, fault)) from fault
    server.start()
    server.io_loop.asyncio_loop.set_exception_handler(_log_unless_reader_left)
    print(f"Underlot is at http://{address}:{port} (Ctrl+C stops it)", flush=True)  # noqa: T201 - this is its answer
    try:
        server.io_loop.start()
    finally:
        server.stop()


def _log_unless_reader_left(loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
    """A page closed while it was being written to is no fault; everything else is logged as ever."""
    if not isinstance(context.get("exception"), WebSocketClosedError | StreamClosedError):
        loop.default_exception_handler(context)


def _gate(workspace: Workspace) -> dict[str, Any]:
    return {"auth_provider": Gate(workspace), "cookie_secret": session_key(workspace)}


def _is_this_machine(address: str) -> bool:
    if address == "localhost":
        return True
    try:
        return ipaddress.ip_address(address).is_loopback
    except ValueError:
        return False


def _port_problem(port: int, address: str, fault: OSError) -> str:
    if fault.errno == errno.EADDRINUSE:
        return f"Port {port} is already in use, perhaps by another dashboard. Stop that one, or choose another port with --port."
    if fault.errno in {errno.EADDRNOTAVAIL, errno.ENOENT} or fault.errno is None or fault.errno < 0:
        return f"This machine has no address {address}. Name one of its own with --address."
    return f"Port {port} cannot be used ({fault.strerror}). Choose another with --port."
