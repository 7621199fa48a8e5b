"""The command line: one group, one module per command; faults become one sentence and an exit code."""

from __future__ import annotations

import importlib
import signal
import sys
import threading
import traceback
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from pipeline.commands import Context
from pipeline.errors import UnderlotError
from pipeline.settings import DEFAULT_WORKSPACE, WORKSPACE_VARIABLE, Workspace

EXIT_DEFECT = 1
EXIT_USAGE = 2
EXIT_STOPPED = 130
#: Each is a module of `pipeline.commands`; help lists them in this order.
COMMANDS = (
    "demo",
    "load",
    "rejects",
    "build",
    "score",
    "hotspots",
    "budget",
    "canvass",
    "connections",
    "report",
    "dashboard",
    "accounts",
)


class Commands(click.Group):
    """Commands whose modules are imported when they are asked for: all together take three seconds, most half a second."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return all names."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Return one of them."""
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"pipeline.commands.{cmd_name}")
        command: click.Command = getattr(module, f"{cmd_name}_command")
        return command


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.option(
    "--workspace",
    type=click.Path(path_type=Path, file_okay=False),
    help=f"Folder that holds your records and results. [default: {DEFAULT_WORKSPACE} here, or ${WORKSPACE_VARIABLE}]",
)
@click.option("--debug", is_flag=True, help="Show the technical details of a fault.")
@click.version_option(package_name="underlot", prog_name="underlot")
@click.pass_context
def cli(context: click.Context, workspace: Path | None, debug: bool) -> None:
    """Turn sewer-lateral camera inspections into survival curves and pre-sale risk.

    \b
    First time:          underlot demo
    With your own files: underlot load jobs.xlsx
                         underlot build
                         underlot score "12 Alder Street"
                         underlot dashboard

    A score is an estimate for screening. It never replaces putting a camera in the line.
    """
    context.obj = Context(workspace=Workspace.locate(workspace), debug=debug)


def main() -> None:
    """Run the command line and end the process with its exit code."""
    sys.exit(run(sys.argv[1:]))


def run(arguments: list[str]) -> int:
    """Run one command; return the exit code.

    Returns
    -------
    int
        0 done, 1 a defect of ours, 2 a wrong call, 3 files or data refused (or, for `score`, nothing found),
        130 stopped by the user.
    """
    with _stops_noted() as stops:
        try:
            result: Any = cli.main(args=arguments, prog_name="underlot", standalone_mode=False)
        except (Exception, KeyboardInterrupt) as exc:
            return _end(exc, arguments, is_stopped=bool(stops))
    return result if isinstance(result, int) else 0


@contextmanager
def _stops_noted() -> Iterator[list[int]]:
    """Note each Ctrl+C: a database or a library being imported turns it into a fault of its own, which is no defect."""
    stops: list[int] = []

    def stop(number: int, _frame: object) -> None:
        stops.append(number)
        raise KeyboardInterrupt

    if threading.current_thread() is not threading.main_thread():
        yield stops
        return
    before = signal.signal(signal.SIGINT, stop)
    try:
        yield stops
    finally:
        signal.signal(signal.SIGINT, before)


def _end(fault: BaseException, arguments: list[str], *, is_stopped: bool) -> int:
    """Say in a sentence why the command ended, and return its exit code."""
    debug = "--debug" in arguments
    if is_stopped or isinstance(fault, click.exceptions.Abort | KeyboardInterrupt):
        click.echo("Stopped.", err=True)
        return EXIT_STOPPED
    if isinstance(fault, click.ClickException):
        fault.show()
        return EXIT_USAGE
    if isinstance(fault, UnderlotError):
        click.echo(str(fault), err=True)
        if debug:
            click.echo("".join(traceback.format_exception(fault)), err=True)
        return fault.exit_code
    return _report_defect(fault, arguments, debug=debug)


def _report_defect(fault: BaseException, arguments: list[str], *, debug: bool) -> int:
    """Tell a short reference, and keep the details in the workspace's log."""
    reference = uuid.uuid4().hex[:8]
    details = "".join(traceback.format_exception(fault))
    log = _workspace_of(arguments).logs / f"{reference}.log"
    kept = f"Details: {log}"
    try:
        log.parent.mkdir(parents=True, exist_ok=True)
        stamp = datetime.now(UTC).isoformat(timespec="seconds")
        log.write_text(f"{stamp} underlot {' '.join(arguments)}\n\n{details}", encoding="utf-8")
    except OSError:
        kept = "The log could not be written; run again with --debug to see the details."
    click.echo(
        f"This is a defect in Underlot, not in your files (reference {reference}). "
        f"Your records are as they were. {kept}",
        err=True,
    )
    if debug:
        click.echo(details, err=True)
    return EXIT_DEFECT


def _workspace_of(arguments: list[str]) -> Workspace:
    """Find the workspace in raw arguments: the fault may have come before they were read."""
    for position, argument in enumerate(arguments):
        if argument == "--workspace" and position + 1 < len(arguments):
            return Workspace.locate(Path(arguments[position + 1]))
        if argument.startswith("--workspace="):
            return Workspace.locate(Path(argument.partition("=")[2]))
    return Workspace.locate()


if __name__ == "__main__":
    main()
