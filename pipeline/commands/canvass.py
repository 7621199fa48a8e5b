"""`underlot canvass`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click
import polars as pl
from rich.console import Console
from rich.table import Table
from rich.text import Text

from pipeline.commands import Context, add_plain_row, town_in_words
from pipeline.commands.options import form_option
from pipeline.errors import SettingsError
from pipeline.exports import checked_purpose, do_not_contact, log_export, use_until
from pipeline.formulas import as_csv
from pipeline.geojson import coordinates_in_words, point_collection
from pipeline.percent import estimate_words
from pipeline.published.read import open_current
from pipeline.steps.canvass_lists import RULE, doors_of, ranked_areas
from pipeline.whole_files import write_whole

TABLE_WIDTH = 120


@click.command("canvass")
@click.option("--subdivision", help="Areas of this subdivision only.")
@click.option(
    "--rows",
    type=click.IntRange(1, 10_000),
    default=15,
    show_default=True,
    help="Areas to show on the screen.",
)
@form_option("csv", "geojson", help="How to print the areas.")
@click.option(
    "--doors",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write the addresses of the best areas to this CSV file.",
)
@click.option(
    "--areas",
    "n_areas",
    type=click.IntRange(1, 1000),
    default=3,
    show_default=True,
    help="How many areas the file of doors covers.",
)
@click.option(
    "--purpose", help="What the doors are for; needed with --doors, and kept in the log of exports."
)
@click.pass_obj
def canvass_command(
    context: Context,
    subdivision: str | None,
    rows: int,
    form: str,
    doors: Path | None,
    n_areas: int,
    purpose: str | None,
) -> None:
    """Rank areas by the failures that no camera has seen yet, per door.

    A line that a camera has been in counts for nothing here, so that no household's result shows. Small blocks
    are put together or held back. Nobody in do_not_contact.csv (in the workspace; a column address or lot_id)
    is ever listed.

    \b
    Examples:
      underlot canvass
      underlot canvass --format csv > areas.csv
      underlot canvass --doors monday.csv --areas 2 --purpose "leaflets of the spring round"
    """
    if doors is not None and doors.suffix.lower() != ".csv":
        raise SettingsError(f"--doors {doors}: end the name in .csv.")
    stated = None if doors is None else checked_purpose(purpose)
    with open_current(context.workspace) as reader:
        run = reader.run()
        areas = ranked_areas(reader, subdivision)
        if doors is not None and stated is not None:
            listed = doors_of(reader, context.workspace, areas, n_areas, stated)
            held_back = listed.held_back
            log_export(
                context.workspace,
                command="canvass",
                target=str(doors),
                purpose=stated,
                n_lots=listed.rows.height,
                run_id=str(run["run_id"]),
            )
            write_whole(doors, as_csv(listed.rows))
            click.echo(
                f"Written: {doors} ({listed.rows.height:,} doors, {listed.n_left_out:,} left out as not to be contacted); "
                f"use it until {use_until()}.",
                err=True,
            )
        else:
            held_back = do_not_contact(context.workspace, reader.query("SELECT lot_id, address FROM lots"))
    for entry in held_back.unmatched:
        click.echo(
            f"do_not_contact.csv: '{entry}' is no lot on record; addresses that come near it are left out. Correct it.",
            err=True,
        )
    _show(areas, run, form, rows)


def _show(areas: pl.DataFrame, run: dict[str, Any], form: str, rows: int) -> None:
    told = areas.drop("x_ft", "y_ft")
    if form == "csv":
        click.echo(as_csv(told.drop("lon", "lat").with_columns(rule=pl.lit(RULE))), nl=False)
    elif form == "geojson":
        in_degrees = areas["lon"].null_count() < areas.height
        about = {
            "what": "areas ranked by expected unseen failures per door",
            "town": run["town_name"],
            "is_synthetic": run["is_synthetic"],
            "run_id": run["run_id"],
            "coordinates": coordinates_in_words(in_degrees=in_degrees),
            "rule": RULE,
        }
        points = told if in_degrees else areas.drop("lon", "lat")
        click.echo(
            point_collection(points, *(("lon", "lat") if in_degrees else ("x_ft", "y_ft")), about), nl=False
        )
    else:
        _print(areas, run, rows)


def _print(areas: pl.DataFrame, run: dict[str, Any], rows: int) -> None:
    console = Console(width=TABLE_WIDTH)
    console.print(f"{town_in_words(run)}. Now: {run['as_of_source']}.", markup=False)
    told = areas.filter(pl.col("status") == "ok")
    table = Table(
        title=Text(
            f"{min(rows, told.height):,} of {told.height:,} areas, most unseen failures per door first"
        ),
        title_justify="left",
    )
    for name in (
        "rank",
        "area",
        "subdivision",
        "doors",
        "lines seen",
        "unseen failures expected",
        "per door",
    ):
        table.add_column(name, justify="left" if name in {"area", "subdivision"} else "right")
    for row in told.head(rows).iter_rows(named=True):
        low, high = row["expected_unseen_lower"], row["expected_unseen_upper"]
        add_plain_row(
            table,
            f"{row['rank']:,}",
            row["name"],
            row["subdivision"],
            f"{row['n_doors']:,}",
            f"{row['n_seen_about']:,} or more",
            f"{row['expected_unseen']:.1f} ({low:.1f} to {high:.1f})",
            estimate_words(row["per_door"], row["per_door_lower"], row["per_door_upper"]),
        )
    if told.height:
        console.print(table)
    held_back = areas.filter(pl.col("status") != "ok")
    if held_back.height:
        console.print(
            f"{held_back.height:,} more held back ({int(held_back['n_lots'].sum()):,} lots). {held_back['sentence'][0]}",
            markup=False,
        )
    console.print(RULE, markup=False)
