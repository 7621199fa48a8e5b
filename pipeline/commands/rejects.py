"""`underlot rejects`."""

from __future__ import annotations

from pathlib import Path

import click
from rich.console import Console
from rich.table import Table

from pipeline.commands import Context, add_plain_row
from pipeline.errors import SettingsError, WarehouseError
from pipeline.steps.build_records import REASON_MEANINGS
from pipeline.steps.rejects import export_rejects
from pipeline.warehouse import open_warehouse, sql_text

TABLE_WIDTH = 120


@click.command("rejects")
@click.option(
    "--save",
    "file",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write the rejected rows to this .csv or .xlsx file, to be mended and loaded again.",
)
@click.option(
    "--load",
    "load_id",
    type=click.IntRange(min=1),
    help="Number of the load. [default: the newest with rejects]",
)
@click.pass_obj
def rejects_command(context: Context, file: Path | None, load_id: int | None) -> None:
    """Show which rows were not taken, and why.

    With --save you get those rows under your own headers, with the reason beside each. Mend them and load
    that file with the same map.

    \b
    Examples:
      underlot rejects
      underlot rejects --save mend.xlsx
    """
    if not context.workspace.warehouse.exists():
        raise WarehouseError("Nothing is loaded yet. Load a file with `underlot load FILE` first.")
    with open_warehouse(context.workspace, read_only=True) as warehouse:
        counts = warehouse.frame(sql_text("published/rejects_by_reason"))
        newest = warehouse.frame("SELECT coalesce(max(load_id), 0) AS newest FROM records.loads")["newest"][0]
    if load_id is not None and load_id > newest:
        raise SettingsError(f"--load {load_id}: there is no such load; they are numbered from 1 to {newest}.")
    if file is not None:
        export = export_rejects(context.workspace, file, load_id=load_id)
        click.echo(
            f"{file}: {export.n_rejected:,} rejected rows of {export.file_name} (load {export.load_id})."
        )
        if export.n_companions:
            click.echo(
                f"  {export.n_companions:,} more rows stand beside them, because they are replaced together."
            )
        if export.n_unreadable:
            click.echo(
                f"  {export.n_unreadable:,} rows could not be laid under the headers; look at the file itself."
            )
        return
    if load_id is not None:
        counts = counts.filter(counts["load_id"] == load_id)
    if counts.is_empty():
        click.echo("No row was rejected.")
        return
    table = Table(title="Rows that were not taken", title_justify="left")
    for heading in ("load", "file", "reason", "faults", "first row", "for example"):
        table.add_column(heading, overflow="fold")
    for row in counts.iter_rows(named=True):
        add_plain_row(
            table,
            str(row["load_id"]),
            row["file_name"],
            REASON_MEANINGS.get(row["reason_code"], row["reason_code"]),
            f"{row['n_faults']:,}",
            str(row["first_row"]),
            row["example"],
        )
    Console(width=TABLE_WIDTH).print(table)
