"""`underlot report`."""

from __future__ import annotations

from pathlib import Path

import click

from pipeline.commands import Context
from pipeline.commands.serve import write_report
from pipeline.errors import SettingsError


@click.command("report")
@click.argument("lot", required=False)
@click.option("--subdivision", help="Report on this subdivision, in place of a lot.")
@click.option(
    "--save",
    "file",
    required=True,
    type=click.Path(path_type=Path, dir_okay=False),
    help="File to write: .html (opens in any browser, needs nothing else) or .pdf.",
)
@click.pass_obj
def report_command(context: Context, lot: str | None, subdivision: str | None, file: Path) -> None:
    """Write a pre-sale report on one lot, or on a subdivision, to hand on.

    LOT is an address, a part of it that fits one lot only, or a lot id. The report says what the estimate
    rests on, how the numbers were made, and the usual cautions. It is for screening, and never replaces a
    camera in the line.

    \b
    Examples:
      underlot report "12 Alder Street" --save 12_alder.pdf
      underlot report --subdivision "Alder Tract 2" --save alder.html
    """
    if (lot is None) == (subdivision is None):
        raise SettingsError("Name either a lot or a --subdivision, and not both.")
    title = write_report(context.workspace, file, lot=lot, subdivision=subdivision)
    click.echo(f"{file}: report on {title}.")
