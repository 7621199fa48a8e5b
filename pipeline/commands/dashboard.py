"""`underlot dashboard`."""

from __future__ import annotations

import re

import click

from pipeline.commands import Context
from pipeline.commands.serve import THIS_MACHINE, start_dashboard
from pipeline.errors import SettingsError
from pipeline.published.read import open_current

DEFAULT_PORT = 5006
#: A name or a number, with a port or without; no scheme and no path, which browsers do not send with it.
ORIGIN = re.compile(r"[A-Za-z0-9*][A-Za-z0-9.*_-]*(:[0-9]{1,5})?")

port_option = click.option(
    "--port",
    type=click.IntRange(1, 65535),
    default=DEFAULT_PORT,
    show_default=True,
    help="Port of the dashboard on this machine.",
)


@click.command("dashboard")
@port_option
@click.option(
    "--address",
    default=THIS_MACHINE,
    show_default=True,
    help="Address to listen on; any but this machine's own needs accounts (underlot accounts).",
)
@click.option(
    "--origin",
    "origins",
    multiple=True,
    help="Name and port under which browsers reach it, e.g. behind a proxy; may be repeated.",
)
@click.option("--no-browser", is_flag=True, help="Print the address only; do not open the browser.")
@click.pass_obj
def dashboard_command(
    context: Context, port: int, address: str, origins: tuple[str, ...], no_browser: bool
) -> None:
    """Show the published results in your browser.

    It prints its address and runs until you press Ctrl+C. Without --address only this machine can reach it.
    On a network it asks for a name and password; put a proxy with TLS before it, or they travel in the
    clear. After another `underlot build`, reload the page to see the new results.

    \b
    Examples:
      underlot dashboard --port 8080
      underlot dashboard --address 0.0.0.0 --origin sewers.example.org
    """
    for origin in origins:
        if not ORIGIN.fullmatch(origin):
            raise SettingsError(
                f"--origin {origin}: give the name alone, with its port where it is not the usual one, such as "
                "sewers.example.org or sewers.example.org:8443."
            )
    open_current(context.workspace).close()
    start_dashboard(
        context.workspace, port=port, open_browser=not no_browser, address=address, origins=origins
    )
