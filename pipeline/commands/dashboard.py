"""`underlot dashboard`."""

from __future__ import annotations

import click

from pipeline.commands import Context
from pipeline.commands.serve import start_dashboard
from pipeline.published.read import open_current

DEFAULT_PORT = 5006

port_option = click.option(
    "--port",
    type=click.IntRange(1, 65535),
    default=DEFAULT_PORT,
    show_default=True,
    help="Port of the dashboard on this machine.",
)


@click.command("dashboard")
@port_option
@click.option("--no-browser", is_flag=True, help="Print the address only; do not open the browser.")
@click.pass_obj
def dashboard_command(context: Context, port: int, no_browser: bool) -> None:
    """Show the published results in your browser.

    It prints its address and runs until you press Ctrl+C. Only this machine can reach it. After another
    `underlot build`, reload the page to see the new results.

    \b
    Example:
      underlot dashboard --port 8080
    """
    open_current(context.workspace).close()
    start_dashboard(context.workspace, port=port, open_browser=not no_browser)
