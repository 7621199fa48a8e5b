"""Serves the dashboard to browsers on this machine."""

from __future__ import annotations

import errno
from collections.abc import Mapping
from pathlib import Path

from panel.io.server import get_server

from dashboards.app import PAGES, Page, make_app, set_up_panel
from dashboards.data import Library
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
    pages: Mapping[str, Page] = PAGES,
) -> None:
    """Serve the dashboard until it is stopped (Ctrl+C); prints its address when it answers.

    Only browsers on this machine can reach it. A generation published meanwhile is shown to every page
    that is opened, or reloaded, after that.

    Parameters
    ----------
    workspace : Path or Workspace
        The workspace, or its folder.
    port : int
        Port to listen on.
    open_browser : bool
        Open the pages in the browser.
    pages : mapping of str to callable
        Page builders under the words that choose them in the address.

    Raises
    ------
    ServeError
        The port is in use or may not be used.
    """
    set_up_panel(threads=THREADS)
    app = make_app(Library(workspace), pages)
    try:
        server = get_server(
            {"/": app},
            port=port,
            address=ADDRESS,
            websocket_origin=[f"{ADDRESS}:{port}", f"localhost:{port}"],
            title="Underlot",
            show=open_browser,
        )
    except OSError as fault:
        raise ServeError(_port_problem(port, fault)) from fault
    server.start()
    print(f"Underlot is at http://{ADDRESS}:{port} (Ctrl+C stops it)", flush=True)  # noqa: T201 - this is its answer
    try:
        server.io_loop.start()
    finally:
        server.stop()


def _port_problem(port: int, fault: OSError) -> str:
    if fault.errno == errno.EADDRINUSE:
        return f"Port {port} is already in use, perhaps by another dashboard. Stop that one, or choose another port with --port."
    return f"Port {port} cannot be used ({fault.strerror}). Choose another with --port."
