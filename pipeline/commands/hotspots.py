"""`underlot hotspots`."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click
import polars as pl
import shapely
from rich.console import Console
from rich.table import Table
from rich.text import Text

from pipeline.commands import Context, add_plain_row, town_in_words
from pipeline.commands.options import form_option
from pipeline.errors import SettingsError
from pipeline.exports import checked_purpose, log_export, use_until
from pipeline.formulas import as_csv
from pipeline.geojson import coordinates_in_words
from pipeline.published import contract
from pipeline.published.read import PublishedReader, open_current
from pipeline.whole_files import write_whole

TABLE_WIDTH = 120
CAUTION = (
    "A hot spot is a place to look closer, with a camera; it says nothing about any one line. Mark gas and other lines "
    "before any work."
)
OUTLINES = ("outline_wkt", "outline_degrees_wkt", "core_wkt")


@click.command("hotspots")
@click.option("--firm", "firm_only", is_flag=True, help="Only hot spots that pass both questions.")
@click.option(
    "--recent",
    is_flag=True,
    help="Those of the last years only; set hot_spot_recent_years in settings.toml and build first.",
)
@click.option(
    "--every-reason",
    is_flag=True,
    help="Those among all looks; the others leave out looks made because of a failure.",
)
@form_option("csv", "geojson", help="How to print them; geojson is for a map.")
@click.option(
    "--lots",
    "lots_file",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write the lots inside them to this CSV file.",
)
@click.option("--purpose", help="What the lots are for; needed with --lots, and kept in the log of exports.")
@click.pass_obj
def hotspots_command(
    context: Context,
    firm_only: bool,
    recent: bool,
    every_reason: bool,
    form: str,
    lots_file: Path | None,
    purpose: str | None,
) -> None:
    """Show where laterals fail more than their material, age and depth explain.

    Old clay fails everywhere; a hot spot is a place where pipe fails more often than pipe like it does
    elsewhere: bad soil, a bad crew, a bad batch. Two questions are asked of each. Is it more than chance makes
    somewhere in such a town? Is it more than blocks and subdivisions differ from each other anyway, and more than
    the law of ageing may be off? Only if both are answered yes is it firm. It carries a warning where many
    inspections, one operator or one year coincide with it, because then the looks may be what is special and not
    the pipes. Only inspected lots count; few inspections find nothing, and nothing found is no proof that there is
    nothing.

    \b
    Examples:
      underlot hotspots
      underlot hotspots --firm --format geojson > hotspots.geojson
      underlot hotspots --lots inside.csv --purpose "camera round for the north side"
    """
    if recent and every_reason:
        raise SettingsError("--recent and --every-reason are two searches. Ask for one at a time.")
    period = "recent" if recent else "every_reason" if every_reason else "all"
    if lots_file is not None and lots_file.suffix.lower() != ".csv":
        raise SettingsError(f"--lots {lots_file}: end the name in .csv.")
    stated = None if lots_file is None else checked_purpose(purpose)
    with open_current(context.workspace) as reader:
        run = reader.run()
        scan = _scan(reader, period)
        spots = reader.query("SELECT * FROM hot_spots WHERE period = ? ORDER BY zone", [period])
        if firm_only:
            spots = spots.filter(pl.col("label") == "firm")
        if lots_file is not None and stated is not None:
            _write_lots(context, reader, spots, period, lots_file, stated, str(run["run_id"]))
    if form == "csv":
        click.echo(as_csv(spots.drop(OUTLINES)), nl=False)
    elif form == "geojson":
        click.echo(_as_geojson(spots, scan, run))
    else:
        _print(spots, scan, run)


def _scan(reader: PublishedReader, period: str) -> dict[str, Any]:
    found = reader.query("SELECT * FROM hot_spot_scans WHERE period = ?", [period])
    if found.is_empty() and period == "every_reason":
        raise SettingsError(
            "No look was made because of a failure (selected_purposes in settings.toml), so there is no other search. "
            "Leave out --every-reason."
        )
    if found.is_empty():
        raise SettingsError(
            "Recent years were not searched in this build. Set hot_spot_recent_years in settings.toml, e.g. to 10, and "
            "run `underlot build` again."
        )
    return found.row(0, named=True)


def _write_lots(
    context: Context,
    reader: PublishedReader,
    spots: pl.DataFrame,
    period: str,
    file: Path,
    purpose: str,
    run_id: str,
) -> None:
    """Write the lots inside, without what was found on any of them."""
    lots = reader.query(
        "SELECT h.zone, h.lot_id, l.address, l.subdivision, l.block, h.is_inspected, h.is_core "
        "FROM hot_spot_lots AS h JOIN lots AS l USING (lot_id) WHERE h.period = ? ORDER BY h.zone, h.lot_id",
        [period],
    ).filter(pl.col("zone").is_in(spots["zone"].implode()))
    log_export(
        context.workspace,
        command="hotspots",
        target=str(file),
        purpose=purpose,
        n_lots=lots.height,
        run_id=run_id,
    )
    write_whole(file, as_csv(lots))
    click.echo(f"Written: {file} ({lots.height:,} lots); use it until {use_until()}.", err=True)


def _as_geojson(spots: pl.DataFrame, scan: dict[str, Any], run: dict[str, Any]) -> str:
    in_degrees = spots.height == 0 or spots["outline_degrees_wkt"].null_count() == 0
    column = "outline_degrees_wkt" if in_degrees else "outline_wkt"
    features = [
        {
            "type": "Feature",
            "id": row["zone"],
            # RFC 7946, 3.1.6: outer rings run counter-clockwise.
            "geometry": json.loads(
                shapely.to_geojson(shapely.orient_polygons(shapely.from_wkt(row[column])))
            ),
            "properties": {name: value for name, value in row.items() if name not in OUTLINES},
        }
        for row in spots.iter_rows(named=True)
    ]
    about = {
        "what": "zones where laterals fail more than material, age and depth explain",
        "search": scan["sentence"],
        "labels": contract.HOT_SPOT_LABELS,
        "town": run["town_name"],
        "is_synthetic": run["is_synthetic"],
        "run_id": run["run_id"],
        "coordinates": coordinates_in_words(in_degrees=in_degrees),
        "caution": CAUTION,
    }
    return json.dumps({"type": "FeatureCollection", "about": about, "features": features}, ensure_ascii=False)


def _print(spots: pl.DataFrame, scan: dict[str, Any], run: dict[str, Any]) -> None:
    console = Console(width=TABLE_WIDTH)
    console.print(f"{town_in_words(run)}. {run['failure_definition']}", markup=False)
    console.print(scan["sentence"], markup=False)
    for row in spots.iter_rows(named=True):
        console.print(_spot_table(row, run))
    if spots.height:
        console.print(CAUTION, markup=False)


def _spot_table(row: dict[str, Any], run: dict[str, Any]) -> Table:
    table = Table(
        title=Text(f"Hot spot {row['zone']}: {row['subdivisions'] or 'no subdivision on record'}"),
        show_header=False,
        title_justify="left",
    )
    table.add_column(style="bold")
    table.add_column(overflow="fold")
    add_plain_row(table, "how sure", f"{row['label']}: {row['meaning']}")
    add_plain_row(
        table,
        "failed",
        f"{row['n_observed']} of {row['n_inspected']} inspected lots; expected {row['expected']:.1f} "
        f"({run['score_level']:.0%} range {row['expected_lower']:.1f} to {row['expected_upper']:.1f})",
    )
    add_plain_row(table, "chance of such a zone", _chance_words(row))
    place = "" if row["lon"] is None else f", {row['lat']:.5f} N {row['lon']:.5f} E"
    add_plain_row(
        table,
        "where",
        f"within {row['radius_ft']:,.0f} ft of ({row['x_ft']:,.0f}, {row['y_ft']:,.0f}) ft{place}; {row['n_lots']:,} lots, "
        f"{row['coverage_share']:.0%} inspected, {row['n_core']} of those in its core",
    )
    if row["warning"]:
        add_plain_row(table, "warning", row["warning"])
    return table


def _chance_words(row: dict[str, Any]) -> str:
    """Both p-values in words; a tail of a fitted law is not told to more digits than it has."""
    told = []
    for name, words in (
        ("p_value", "anywhere in the town, were there none"),
        ("p_value_blocks", "if areas only differ as usual"),
    ):
        value, method = row[name], row[f"{name}_method"]
        if method == "at_least":
            told.append(f"{value:.0%} or more {words}")
        elif value < 0.001:
            told.append(f"below 0.1% {words}")
        else:
            told.append(f"{value:.1%} {words}")
    return "; ".join(told)
