"""`underlot connections`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click
import polars as pl
from rich.console import Console
from rich.table import Table
from rich.text import Text

from pipeline.commands import Context, add_plain_row, town_in_words
from pipeline.commands.serve import check_report_name, write_programme
from pipeline.errors import SettingsError
from pipeline.exports import checked_purpose, do_not_contact, log_export, use_until
from pipeline.formulas import as_csv
from pipeline.geojson import coordinates_in_words, point_collection
from pipeline.percent import estimate_words
from pipeline.published.read import PublishedReader, open_current
from pipeline.steps.connections_choice import (
    ConnectionPlan,
    plan_under_budget,
    ranked_connections,
    shown_first,
)
from pipeline.steps.score import STOP_WORK
from pipeline.vocabulary import LateralPart
from pipeline.whole_files import write_whole

TABLE_WIDTH = 120
SUFFIXES = (".geojson", ".json", ".csv")
CAUTION = (
    "An estimate for screening: put a camera in the line before renewing it. Call before digging; a foreign line may "
    "cross the sewer; manholes and pits are confined spaces with sewer gas. Local codes and licensed practice come first."
)


@click.command("connections")
@click.option(
    "--part",
    type=click.Choice(list(LateralPart.codes())),
    help="Part of the lateral to rank and renew: from the property line to the main, from the building to it, the last "
    "segment alone, or all.  [default: as in consequences.toml, lower]",
)
@click.option("--budget", type=float, help="Choose what to renew with this sum [US dollars].")
@click.option(
    "--priced-at",
    type=click.Choice(["low", "likely", "high"]),
    default="likely",
    show_default=True,
    help="End of the prices that the budget must cover.",
)
@click.option(
    "--in-order", is_flag=True, help="Spend in the published order, without looking for the best set."
)
@click.option(
    "--seconds", type=click.FloatRange(1, 3600), default=20.0, show_default=True, help="Longest search [s]."
)
@click.option(
    "--rows", type=click.IntRange(1, 1000), default=15, show_default=True, help="Rows of the table to show."
)
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write all ranked connections to a .geojson or .csv file.",
)
@click.option(
    "--report",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write the plan under the budget as a report to hand on: .html or .pdf.",
)
@click.option(
    "--purpose",
    help="What the files are for; needed with --out and --report, and kept in the log of exports.",
)
@click.pass_obj
def connections_command(
    context: Context,
    part: str | None,
    budget: float | None,
    priced_at: str,
    in_order: bool,
    seconds: float,
    rows: int,
    out: Path | None,
    report: Path | None,
    purpose: str | None,
) -> None:
    """Rank connections to the public sewer by the chance of failure times what a failure means there.

    With a budget: which ones to renew, neighbours sharing one mobilisation. Weights and prices stand in
    consequences.toml (copy the shipped one into the workspace to change them) and are printed with the result.

    \b
    Examples:
      underlot connections
      underlot connections --part upper
      underlot connections --budget 250000
      underlot connections --budget 250000 --out plan.geojson --purpose "renewal plan of the sewer utility"
      underlot connections --budget 250000 --report plan.pdf --purpose "renewal plan for the council"
    """
    stated = checked_purpose(purpose) if out is not None or report is not None else ""
    _check_names(out, report, budget)
    with open_current(context.workspace) as reader:
        run = reader.run()
        part = part or shown_first(reader)
        ranked = ranked_connections(reader, part)
        plan = None
        if budget is not None:
            plan = plan_under_budget(ranked, budget, priced_at=priced_at, in_order=in_order, seconds=seconds)
            ranked = plan.connections
        if out is not None:
            _write(context, reader, ranked, run, out, stated, part)
        _print(reader, ranked, run, plan, rows, part)
    if out is not None:
        click.echo(f"Written: {out} ({ranked.height:,} connections); use it until {use_until()}.", err=True)
    # After the reader: a file of results is opened once at a time.
    if report is not None and plan is not None:
        _report(context, plan, run, report, stated, part)
        click.echo(f"Written: {report}; use it until {use_until()}.", err=True)


def _check_names(out: Path | None, report: Path | None, budget: float | None) -> None:
    """Refuse files that cannot be written before anything is worked out."""
    if out is not None and out.suffix.lower() not in SUFFIXES:
        raise SettingsError(f"--out {out.name}: end the name in .geojson or .csv.")
    if report is not None:
        check_report_name(report)
        if budget is None:
            raise SettingsError("--report writes a plan: give the sum to spend with --budget.")


# -- files ---------------------------------------------------------------------------------------------------


def _write(
    context: Context,
    reader: PublishedReader,
    ranked: pl.DataFrame,
    run: dict[str, Any],
    out: Path,
    purpose: str,
    part: str,
) -> None:
    held_back = do_not_contact(context.workspace, reader.query("SELECT lot_id, address FROM lots"))
    rows = ranked.with_columns(
        do_not_contact=pl.col("lot_id").is_in(held_back.lots),
        stop_work=pl.when("has_foreign_line").then(pl.lit(STOP_WORK)),
    )
    about = {
        "what": f"connections ranked by the chance of failure of {LateralPart.of(part).meaning}, times consequence; estimates, not findings",
        "town": run["town_name"],
        "is_synthetic": run["is_synthetic"],
        "run_id": run["run_id"],
        "as_of_year": run["as_of_year"],
        "range_level": run["score_level"],
        "purpose": purpose,
        "use_until": use_until().isoformat(),
        "caution": CAUTION,
        "assumptions": reader.table("connection_assumptions").select("name", "value", "source").to_dicts(),
    }
    if out.suffix.lower() == ".csv":
        text = as_csv(rows.with_columns(purpose=pl.lit(purpose), use_until=pl.lit(use_until().isoformat())))
    else:
        in_degrees = rows["lon"].null_count() < rows.height
        x, y = ("lon", "lat") if in_degrees else ("tie_in_x", "tie_in_y")
        text = point_collection(
            rows, x, y, {**about, "coordinates": coordinates_in_words(in_degrees=in_degrees)}
        )
    log_export(
        context.workspace,
        command="connections",
        target=str(out),
        purpose=purpose,
        n_lots=rows.height,
        run_id=str(run["run_id"]),
    )
    write_whole(out, text)


def _report(
    context: Context, plan: ConnectionPlan, run: dict[str, Any], path: Path, purpose: str, part: str
) -> None:
    chosen = plan.connections.filter(pl.col("is_chosen"))
    log_export(
        context.workspace,
        command="connections",
        target=str(path),
        purpose=purpose,
        n_lots=chosen.height,
        run_id=str(run["run_id"]),
    )
    facts = {
        name: getattr(plan, name)
        for name in (
            "budget_usd", "cost_usd", "priced_at", "n_bundles", "risk_points", "risk_points_lower",
            "risk_points_upper", "total_risk_points", "bound", "is_best",
        )
    }  # fmt: skip
    ranked = plan.connections.filter(pl.col("status") == "ok").height
    about = {"part": LateralPart.of(part), "purpose": purpose, "use_until": use_until().isoformat()}
    write_programme(context.workspace, path, facts | about | {"chosen": chosen, "n_ranked": ranked})


# -- screen --------------------------------------------------------------------------------------------------


def _print(
    reader: PublishedReader,
    ranked: pl.DataFrame,
    run: dict[str, Any],
    plan: ConnectionPlan | None,
    rows: int,
    part: str,
) -> None:
    console = Console(width=TABLE_WIDTH)
    console.print(f"{town_in_words(run)}. Now: {run['as_of_source']}.", markup=False)
    console.print(f"Ranked part: {LateralPart.of(part).meaning}. {_lines_in_words(ranked)}", markup=False)
    if plan is not None:
        console.print(_plan_table(plan, run))
    shown = (ranked if plan is None else ranked.filter(pl.col("is_chosen"))).head(rows)
    for lot in shown.filter(pl.col("has_foreign_line"))["lot_id"]:
        console.print(f"{lot}: {STOP_WORK}", markup=False, style="bold red")
    console.print(_connection_table(shown, ranked, plan, part))
    console.print(_assumption_table(reader.table("connection_assumptions")))
    console.print(CAUTION, markup=False)


def _plan_table(plan: ConnectionPlan, run: dict[str, Any]) -> Table:
    table = Table(
        title=Text(f"Plan under {plan.budget_usd:,.0f} US dollars"), show_header=False, title_justify="left"
    )
    table.add_column(style="bold")
    table.add_column(overflow="fold")
    n_chosen = int(plan.connections["is_chosen"].sum())
    cost = plan.cost_usd
    left = plan.bound - plan.risk_points
    add_plain_row(table, "connections", f"{n_chosen:,} under {plan.n_bundles:,} mobilisations")
    add_plain_row(
        table,
        f"cost, {plan.priced_at} prices",
        f"{cost[plan.priced_at]:,.0f} (low {cost['low']:,.0f}, likely {cost['likely']:,.0f}, high {cost['high']:,.0f})",
    )
    add_plain_row(
        table,
        "risk taken away",
        f"{plan.risk_points:,.1f} of {plan.total_risk_points:,.1f} points ({plan.risk_points / plan.total_risk_points:.0%}); "
        f"{run['score_level']:.0%} range at its widest {plan.risk_points_lower:,.1f} to {plan.risk_points_upper:,.1f}",
    )
    proof = (
        "no other set does better"
        if plan.is_best
        else f"no set of this sum does better by more than {left:,.2f} points"
    )
    add_plain_row(table, "best?", proof)
    return table


def _lines_in_words(ranked: pl.DataFrame) -> str:
    """How many property lines are on record."""
    ok = ranked.filter(pl.col("status") == "ok")
    n_recorded = ok.filter(pl.col("property_line_source") == "recorded").height
    return (
        f"The property line of {n_recorded:,} of {ok.height:,} is on record; the others are assumed (below)."
    )


def _connection_table(
    shown: pl.DataFrame, ranked: pl.DataFrame, plan: ConnectionPlan | None, part: str
) -> Table:
    words = "the riskiest connections" if plan is None else "connections of the plan, in the order to spend"
    n_all = ranked.filter(pl.col("status") == "ok").height if plan is None else int(ranked["is_chosen"].sum())
    table = Table(title=Text(f"{shown.height:,} of {n_all:,}: {words}"), title_justify="left")
    for name in (
        "lot",
        "main",
        "ft",
        f"chance, {LateralPart.of(part).label}",
        "times",
        "risk",
        "rank",
        "among first",
        "bundle",
        "cost",
    ):
        table.add_column(
            name, justify="left" if name in {"lot", "main"} or name.startswith("chance") else "right"
        )
    for row in shown.iter_rows(named=True):
        chance = estimate_words(
            *(row[f"{part}_failure_probability{end}"] for end in ("", "_lower", "_upper"))
        )
        add_plain_row(
            table,
            row["lot_id"],
            row["manhole_id"] or row["main_id"] or "–",
            "–" if row["station_ft"] is None else f"{row['station_ft']:,.0f}",
            chance,
            "–" if row["consequence"] is None else f"{row['consequence']:.2f}",
            "–" if row["risk_points"] is None else f"{row['risk_points']:.2f}",
            "–" if row["risk_rank"] is None else f"{row['risk_rank']:,}",
            "–" if row["in_list_probability"] is None else f"{row['in_list_probability']:.0%}",
            "–" if row["bundle"] is None else str(row["bundle"]),
            "–" if row["cost_likely_usd"] is None else f"{row['cost_likely_usd']:,.0f}",
        )
    return table


def _assumption_table(assumptions: pl.DataFrame) -> Table:
    table = Table(title=Text("Assumptions (consequences.toml)"), title_justify="left")
    for name in ("assumption", "value", "source"):
        table.add_column(name, overflow="fold")
    for row in assumptions.iter_rows(named=True):
        add_plain_row(table, row["name"], row["value"], row["source"])
    return table
