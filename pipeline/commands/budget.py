"""`underlot budget`."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click
import polars as pl
from rich.console import Console
from rich.table import Table
from rich.text import Text

from pipeline.assumed import Assumptions
from pipeline.assumptions import read_assumptions, write_own_copy
from pipeline.commands import Context, add_plain_row, tell
from pipeline.commands.options import form_option, lots_options
from pipeline.commands.serve import write_reserve_plan
from pipeline.errors import SettingsError
from pipeline.exports import checked_purpose, do_not_contact, log_export, use_until
from pipeline.formulas import as_csv
from pipeline.published.read import PublishedReader, open_current
from pipeline.reports.budget_excel import write_excel
from pipeline.reports.budget_pdf import write_pdf
from pipeline.reports.budget_words import (
    CAUTIONS,
    METHOD,
    POLICY_FIGURES,
    Heading,
    dollars,
    label,
    sentences,
)
from pipeline.steps.budget import make_budget
from pipeline.steps.budget_costs import SPOT_REPAIR, loaded_costs
from pipeline.steps.budget_policies import PolicyCode
from pipeline.steps.budget_publish import run_of
from pipeline.steps.budget_select import Chosen, choose_group, choose_listed, fit_to_leave
from pipeline.steps.budget_tables import Budget
from pipeline.steps.budget_town import read_town, tables_for

EXIT_NONE_FOUND = 3
TABLE_WIDTH = 120
SHOWN_CAMERAS = 20

#: A price that people keep beside those of renewal.
UPKEEP = "cleaning"


@click.command("budget")
@lots_options
@click.option("--portfolio", help="Tag of a group of lots.")
@click.option("--horizon", type=int, help="Years to look ahead. [default: 20]")
@click.option("--draws", type=int, help="Possible futures to simulate. [default: 2000]")
@click.option("--reserve", type=float, help="What lies in the reserve now, in dollars.")
@click.option("--cap", type=float, help="Most that planned renewal may cost in a year, in today's dollars.")
@click.option(
    "--policy",
    type=click.Choice(PolicyCode.codes()),
    help="Policy that the reserve is to pay for. [default: the cheapest]",
)
@click.option(
    "--excel", type=click.Path(path_type=Path, dir_okay=False), help="Write a workbook to this file."
)
@click.option("--pdf", type=click.Path(path_type=Path, dir_okay=False), help="Write a report to this file.")
@click.option(
    "--html",
    "page",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write the report as a page that opens in any browser.",
)
@click.option(
    "--purpose", help="What the files are for; needed where lots are named, and kept in the log of exports."
)
@form_option("csv", "json", help="How to print the answer; csv has the years of all policies.")
@click.pass_obj
def budget_command(
    context: Context,
    asked: tuple[str, ...],
    file: Path | None,
    portfolio: str | None,
    subdivision: str | None,
    horizon: int | None,
    draws: int | None,
    reserve: float | None,
    cap: float | None,
    policy: str | None,
    excel: Path | None,
    pdf: Path | None,
    page: Path | None,
    purpose: str | None,
    form: str,
) -> int:
    """Budget the replacement of laterals: what to set aside, what to do first, and what policies cost.

    Choose lots by address or lot id, by a file of them, by a portfolio tag, or by subdivision. All assumptions
    stand in assumptions.toml of the workspace and are printed with the result. Exit code 3: a lot was not found.

    Workbook, report and json name single lots and may leave this computer: they need a stated purpose, and leave
    unnamed, though counted in, lots whose client does not allow that and lots in do_not_contact.csv.

    \b
    Examples:
      underlot budget --portfolio P1 --pdf reserve.pdf --purpose "reserve of the owners"
      underlot budget --file our_buildings.csv --horizon 30 --reserve 250000 --cap 40000
    """
    if sum((bool(asked), file is not None, portfolio is not None, subdivision is not None)) != 1:
        raise SettingsError(
            "Choose lots one way: addresses or lot ids, --file, --portfolio, or --subdivision. Example: underlot budget --portfolio P1"
        )
    _check_file_names(excel, pdf, page)
    leaves = any(path is not None for path in (excel, pdf, page)) or form == "json"
    stated = checked_purpose(purpose) if leaves else ""
    write_own_copy(context.workspace)
    assumptions = read_assumptions(context.workspace).changed(
        horizon=horizon, draws=draws, balance=reserve, cap=cap
    )
    with open_current(context.workspace) as reader:
        chosen = _chosen(reader, asked, file, portfolio, subdivision)
        run = reader.run()
        _tell_unused_prices(reader, assumptions)
        budget = _budget(reader, chosen, assumptions, policy)
        outside = _as_it_may_leave(context, reader, budget, stated, (excel, pdf, page)) if leaves else budget
    heading = Heading(
        town=run["town_name"],
        is_synthetic=run["is_synthetic"],
        chosen=chosen.words,
        run_id=run["run_id"],
        as_of=run["as_of_source"],
        purpose=stated,
        use_until=use_until().isoformat() if leaves else "",
    )
    for path, write in ((excel, write_excel), (pdf, write_pdf)):
        if path is not None:
            write(path, outside, heading)
            tell(f"Written: {path}")
    if page is not None:
        write_reserve_plan(page, _as_facts(outside, heading, run))
        tell(f"Written: {page}")
    _print(outside if form == "json" else budget, heading, form)
    for row in chosen.unmatched.iter_rows(named=True):
        near = f" Near ones: {row['near_misses']}." if row["near_misses"] else ""
        click.echo(f"Not found: {row['asked']}.{near}", err=True)
    return EXIT_NONE_FOUND if chosen.unmatched.height else 0


def _check_file_names(excel: Path | None, pdf: Path | None, page: Path | None) -> None:
    for option, path, ending in (
        ("--excel", excel, ".xlsx"),
        ("--pdf", pdf, ".pdf"),
        ("--html", page, ".html"),
    ):
        if path is None:
            continue
        if path.suffix.lower() != ending:
            raise SettingsError(f"{option} {path}: the name must end in {ending}. Rename it.")
        if not path.absolute().parent.is_dir():
            raise SettingsError(f"{option} {path}: there is no such folder. Make it first, or name another.")


def _chosen(
    reader: PublishedReader,
    asked: tuple[str, ...],
    file: Path | None,
    portfolio: str | None,
    subdivision: str | None,
) -> Chosen:
    if portfolio is not None:
        return choose_group(reader, "portfolio", portfolio)
    if subdivision is not None:
        return choose_group(reader, "subdivision", subdivision)
    return choose_listed(reader, asked, file)


def _budget(reader: PublishedReader, chosen: Chosen, assumptions: Assumptions, policy: str | None) -> Budget:
    return make_budget(
        read_town(tables_for(reader, chosen.lot_ids)),
        chosen.lot_ids,
        assumptions,
        run_of(reader.table("run"), reader.table("outcomes")),
        loaded_costs(reader.table("unit_costs")),
        reserve_policy=policy,
        progress=tell,
    )


def _tell_unused_prices(reader: PublishedReader, assumptions: Assumptions) -> None:
    """Say which loaded prices bear the name of no method: their owner takes them for counted in."""
    named = {cost.method for cost in loaded_costs(reader.table("unit_costs"))}
    methods = [*assumptions.methods, SPOT_REPAIR]
    if unused := sorted(named - {*methods, UPKEEP}):
        click.echo(
            f"Loaded prices of {', '.join(repr(name) for name in unused)} are not used: no method has that name. Methods are: "
            f"{', '.join(methods)}. Correct the name and load the table again, then build; or add the method to assumptions.toml.",
            err=True,
        )


def _as_it_may_leave(
    context: Context,
    reader: PublishedReader,
    budget: Budget,
    purpose: str,
    paths: tuple[Path | None, ...],
) -> Budget:
    """Take out what must stay, and log what leaves."""
    held_back = do_not_contact(context.workspace, reader.query("SELECT lot_id, address FROM lots"))
    outside = fit_to_leave(budget, reader, held_back.lots)
    log_export(
        context.workspace,
        command="budget",
        target=", ".join(str(path) for path in paths if path is not None) or "stdout (json)",
        purpose=purpose,
        n_lots=outside.lots.height,
        run_id=str(reader.run()["run_id"]),
    )
    return outside


def _as_facts(budget: Budget, heading: Heading, run: Mapping[str, Any]) -> dict[str, Any]:
    """What a reserve plan as a page is made from."""
    chosen = budget.facts["reserve_policy"]
    frames = {
        name: getattr(budget, name) for name in ("policies", "reserve", "lots", "programme", "assumptions")
    }
    return frames | {
        "run": run,
        "title": heading.title,
        "line": heading.line,
        "sentences": sentences(budget),
        # The first is said in every report.
        "method": METHOD[1:],
        "years": budget.years.filter(pl.col("policy") == chosen),
        "reserve_policy": label(chosen),
        "dollars": dollars,
    }


def _print(budget: Budget, heading: Heading, form: str) -> None:
    if form == "json":
        click.echo(_as_json(budget, heading))
    elif form == "csv":
        click.echo(as_csv(budget.years, float_precision=2), nl=False)
    else:
        _print_tables(budget, heading)


def _as_json(budget: Budget, heading: Heading) -> str:
    content = {
        "title": heading.title,
        "town_name": heading.town,
        "is_synthetic": heading.is_synthetic,
        "run_id": heading.run_id,
        "purpose": heading.purpose,
        "use_until": heading.use_until,
        "cautions": CAUTIONS,
        **budget.facts,
        **{
            name: getattr(budget, name).to_dicts()
            for name in ("policies", "years", "lots", "reserve", "programme", "left_out", "assumptions")
        },
    }
    return json.dumps(content, indent=2, default=str)


def _print_tables(budget: Budget, heading: Heading) -> None:
    console = Console(width=TABLE_WIDTH)
    for words in (heading.title, heading.line, "", *sentences(budget)):
        console.print(words, markup=False)
    console.print(_policy_table(budget.policies))
    console.print(_reserve_table(budget))
    cameras = budget.lots.filter(pl.col("camera_rank").is_not_null()).sort("camera_rank").head(SHOWN_CAMERAS)
    if cameras.height:
        console.print(_camera_table(cameras))
    console.print(_assumption_table(budget.assumptions))
    for caution in CAUTIONS:
        console.print(caution, markup=False)


def _table(title: str, *columns: tuple[str, bool]) -> Table:
    table = Table(title=Text(title), title_justify="left")
    for name, is_number in columns:
        table.add_column(name, justify="right" if is_number else "left", overflow="fold")
    return table


def _policy_table(policies: pl.DataFrame) -> Table:
    table = _table(
        "Policies on the same possible futures",
        ("policy", False),
        *((heading, True) for heading, _ in POLICY_FIGURES),
    )
    for row in policies.iter_rows(named=True):
        add_plain_row(table, label(row["policy"]), *(cell(row) for _, cell in POLICY_FIGURES))
    return table


def _reserve_table(budget: Budget) -> Table:
    table = _table(
        f"Reserve schedule: {label(budget.facts['reserve_policy'])}",
        ("year", False),
        ("contribution", True),
        ("spent, P10", True),
        ("spent, P50", True),
        ("spent, P90", True),
        ("balance, P10", True),
        ("balance, P50", True),
        ("dry by then", True),
    )
    for row in budget.reserve.iter_rows(named=True):
        add_plain_row(
            table,
            str(row["calendar_year"] or row["year"]),
            dollars(row["contribution_usd"]),
            *(dollars(row[f"spent_{name}_usd"]) for name in ("p10", "p50", "p90")),
            *(dollars(row[f"balance_{name}_usd"]) for name in ("p10", "p50")),
            f"{row['dry_probability']:.0%}",
        )
    return table


def _camera_table(cameras: pl.DataFrame) -> Table:
    table = _table(
        "Put a camera in these first", ("order", True), ("lot", False), ("worth more than its price", True)
    )
    for row in cameras.iter_rows(named=True):
        name = f"{row['address']} ({row['lot_id']})" if row["address"] else row["lot_id"]
        add_plain_row(table, str(row["camera_rank"]), name, dollars(row["camera_value"]))
    return table


def _assumption_table(assumptions: pl.DataFrame) -> Table:
    table = _table(
        "Assumptions (assumptions.toml in your workspace)",
        ("what", False),
        ("value", False),
        ("source", False),
    )
    for _, name, value, source in assumptions.iter_rows():
        add_plain_row(table, name, value, source)
    return table
