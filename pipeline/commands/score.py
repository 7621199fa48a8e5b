"""`underlot score`."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click
import polars as pl
from rich.console import Console
from rich.table import Table
from rich.text import Text

from pipeline.commands import Context, add_plain_row, town_in_words
from pipeline.commands.options import form_option, lots_options
from pipeline.errors import SettingsError
from pipeline.exports import checked_purpose, do_not_contact, log_export, use_until
from pipeline.formulas import as_csv
from pipeline.geojson import coordinates_in_words, point_collection
from pipeline.percent import estimate_words
from pipeline.published.read import PublishedReader, open_current
from pipeline.settings import Settings
from pipeline.steps.score import (
    STOP_WORK,
    Answers,
    answer_file,
    answer_lots,
    answer_subdivision,
    area_fit_to_leave,
    fit_to_leave,
)

EXIT_NONE_FOUND = 3
TABLE_WIDTH = 110
#: Questions without an answer that are told one by one.
MOST_UNMATCHED = 50
CAUTION = (
    "An estimate for screening; it never replaces putting a camera in the line. "
    "Mark gas and other lines before any work."
)


@click.command("score")
@lots_options
@form_option("csv", "json", "geojson", help="How to print the answer.")
@click.option(
    "--purpose",
    help="What the answers are for; needed for lots in csv, json or geojson, and kept in the log of exports.",
)
@click.pass_obj
def score_command(
    context: Context,
    asked: tuple[str, ...],
    file: Path | None,
    subdivision: str | None,
    form: str,
    purpose: str | None,
) -> int:
    """Tell the estimated chance that a lot's lateral has a repair-grade finding now.

    Ask for lots by address or lot id, for a file of them, or for a subdivision. An address that is not on
    record is never guessed: near ones are listed. Exit code 0: all found; 3: something was not found.

    Answers in csv, json or geojson may leave this computer: they tell a lot's own inspection only where its client
    allows it, nothing of lots in do_not_contact.csv, and need a stated purpose.

    \b
    Examples:
      underlot score "12 Alder Street"
      underlot score --file listings.csv --format csv --purpose "scopes to offer in May" > scores.csv
      underlot score --subdivision "Quarry Flats"
    """
    asked = tuple(question for question in asked if question.strip())
    if sum((bool(asked), file is not None, bool(subdivision and subdivision.strip()))) != 1:
        raise SettingsError(
            'Ask for one thing: addresses or lot ids, --file, or --subdivision. Example: underlot score "12 Alder Street"'
        )
    leaves = form != "table" and subdivision is None
    stated = checked_purpose(purpose) if leaves else ""
    with open_current(context.workspace) as reader:
        run = reader.run()
        if subdivision is not None:
            answers = answer_subdivision(reader, subdivision)
        else:
            answers = answer_file(reader, file) if file is not None else answer_lots(reader, asked)
        if leaves:
            answers = _as_they_may_leave(context, reader, answers, stated, form, run)
        elif form != "table" and answers.found.height:
            least = Settings.from_toml(run["settings_toml"]).min_area_inspections
            answers = Answers(area_fit_to_leave(answers.found, least), answers.unmatched)
    if form == "table":
        _print_tables(answers, run, is_area=subdivision is not None)
    else:
        click.echo(_as_text(answers, run, form, stated), nl=False)
    _tell_unmatched(answers.unmatched)
    return EXIT_NONE_FOUND if answers.unmatched.height else 0


def _tell_unmatched(unmatched: pl.DataFrame) -> None:
    for row in unmatched.head(MOST_UNMATCHED).iter_rows(named=True):
        near = f" Near ones: {row['near_misses']}." if row["near_misses"] else ""
        click.echo(f"Not found: {row['asked']}.{near}", err=True)
    more = unmatched.height - MOST_UNMATCHED
    if more > 0:
        click.echo(f"Not found: {more:,} more. With --format csv each has a line of its own.", err=True)


def _as_they_may_leave(
    context: Context, reader: PublishedReader, answers: Answers, purpose: str, form: str, run: dict[str, Any]
) -> Answers:
    """Take out what must stay, and log what leaves."""
    held_back = do_not_contact(context.workspace, reader.query("SELECT lot_id, address FROM lots"))
    found = fit_to_leave(answers.found, held_back.lots)
    log_export(
        context.workspace,
        command="score",
        target=f"stdout ({form})",
        purpose=purpose,
        n_lots=found.height,
        run_id=str(run["run_id"]),
    )
    return Answers(found, answers.unmatched)


def _as_text(answers: Answers, run: dict[str, Any], form: str, purpose: str) -> str:
    places = ("lon", "lat", "x_ft", "y_ft")
    found = answers.found.drop(places) if purpose else answers.found
    if form == "csv":
        extra = {"purpose": purpose, "use_until": use_until().isoformat()} if purpose else {}
        return _rows_as_csv(
            Answers(found.with_columns(**{k: pl.lit(v) for k, v in extra.items()}), answers.unmatched)
        )
    about = _about(run, purpose)
    if form == "json":
        content = {**about, "found": found.to_dicts(), "not_found": answers.unmatched.to_dicts()}
        return json.dumps(content, indent=2, default=str) + "\n"
    in_degrees = "lon" in answers.found.columns and answers.found["lon"].null_count() < answers.found.height
    x, y = ("lon", "lat") if in_degrees else ("x_ft", "y_ft")
    about["coordinates"] = coordinates_in_words(in_degrees=in_degrees)
    others = [name for name in places if name in answers.found.columns and name not in {x, y}]
    about["not_found"] = answers.unmatched.to_dicts()
    return point_collection(answers.found.drop(others), x, y, about)


def _about(run: dict[str, Any], purpose: str) -> dict[str, Any]:
    about = {
        "town_name": run["town_name"],
        "is_synthetic": run["is_synthetic"],
        "run_id": run["run_id"],
        "as_of_year": run["as_of_year"],
        "horizon_years": run["horizon_years"],
        "range_level": run["score_level"],
        "failure_definition": run["failure_definition"],
        "caution": CAUTION,
    }
    return about | ({"purpose": purpose, "use_until": use_until().isoformat()} if purpose else {})


def _rows_as_csv(answers: Answers) -> str:
    """Everything that was asked is in the file: what was not found has a status and no numbers."""
    missing = answers.unmatched.select("asked", status=pl.lit("not_found"))
    return as_csv(pl.concat([answers.found, missing], how="diagonal_relaxed"))


def _print_tables(answers: Answers, run: dict[str, Any], *, is_area: bool) -> None:
    console = Console(width=TABLE_WIDTH)
    console.print(f"{town_in_words(run)}. Now: {run['as_of_source']}.", markup=False)
    for row in answers.found.iter_rows(named=True):
        if not is_area and row["has_foreign_line"]:
            console.print(f"{row['address'] or row['lot_id']}: {STOP_WORK}", markup=False, style="bold red")
        console.print(_area_table(row, run) if is_area else _lot_table(row, run))
    if answers.found.height:
        console.print(CAUTION, markup=False)


def _percent(row: dict[str, Any], name: str) -> str:
    if row[name] is None:
        return "no estimate"
    return estimate_words(row[name], row[f"{name}_lower"], row[f"{name}_upper"])


def _if_none_now(row: dict[str, Any]) -> str:
    name = "failure_within_horizon_probability"
    if row[name] is None and row["failure_probability"] is not None:
        return "not told: a finding is almost surely there now"
    return _percent(row, name)


def _lot_table(row: dict[str, Any], run: dict[str, Any]) -> Table:
    table = Table(title=Text(row["address"] or row["lot_id"]), show_header=False, title_justify="left")
    table.add_column(style="bold")
    table.add_column(overflow="fold")
    add_plain_row(table, "lot", row["lot_id"])
    add_plain_row(table, "line on record", row["line_summary"] or "none")
    add_plain_row(
        table, "chance that a repair-grade finding is there now", _percent(row, "failure_probability")
    )
    add_plain_row(
        table,
        f"if not now, chance within {run['horizon_years']:g} years",
        _if_none_now(row),
    )
    add_plain_row(table, "evidence", _evidence(row))
    add_plain_row(table, "why", row["reasons"] or row["sentence"])
    return table


def _evidence(row: dict[str, Any]) -> str:
    if not row["n_like"]:
        return str(row["evidence"])
    looks = "1 look" if row["n_like"] == 1 else f"{row['n_like']:,} looks"
    return f"{row['evidence']}; {looks} at lines like it"


def _area_table(row: dict[str, Any], run: dict[str, Any]) -> Table:
    table = Table(title=Text(row["subdivision"]), show_header=False, title_justify="left")
    table.add_column(style="bold")
    table.add_column(overflow="fold")
    add_plain_row(
        table,
        "lots",
        f"{row['n_lots']:,}, of which {row['n_scored']:,} scored and {row['n_inspected']:,} inspected",
    )
    if row["expected_failed_now"] is None:
        add_plain_row(table, "expected with a repair-grade finding now", "no estimate")
    else:
        add_plain_row(
            table,
            "expected with a repair-grade finding now",
            f"{row['expected_failed_now']:.0f} of {row['n_scored']:,} "
            f"({run['score_level']:.0%} range {row['expected_failed_now_lower']:.0f} to {row['expected_failed_now_upper']:.0f})",
        )
        add_plain_row(table, "chance", row["at_least"] or "no number between")
        add_plain_row(
            table,
            f"lots above {row['threshold_probability']:.0%}",
            f"{row['above_threshold_share']:.0%} of those scored",
        )
    add_plain_row(table, "records", row["sentence"])
    return table
