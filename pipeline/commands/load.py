"""`underlot load`."""

from __future__ import annotations

import sys
from pathlib import Path

import click
from rich.console import Console
from rich.table import Table

from pipeline.column_map import ColumnMap, Proposal
from pipeline.columns import LAYOUTS
from pipeline.commands import Context, add_plain_row, tell
from pipeline.errors import SettingsError
from pipeline.proposal_notes import sheet_notes
from pipeline.steps.load import LoadReport, load
from pipeline.steps.load_plan import LoadPlan, in_order, map_lines, plan_load, save_map

EXIT_NOT_CONFIRMED = 2
TABLE_WIDTH = 110
HEADERS_SHOWN = 30


@click.command("load")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--map",
    "map_file",
    type=click.Path(path_type=Path),
    help="Column map (.toml) that says what your headers mean.",
)
@click.option(
    "--layout", help=f"What one row of the file is, where it is not found by itself: {', '.join(LAYOUTS)}."
)
@click.option("--sheet", help="Sheet of a workbook, where it has several.")
@click.option("--yes", "is_confirmed", is_flag=True, help="Load with the proposed map without asking.")
@click.pass_obj
def load_command(
    context: Context,
    files: tuple[Path, ...],
    map_file: Path | None,
    layout: str | None,
    sheet: str | None,
    is_confirmed: bool,
) -> int:
    """Load inspection records from spreadsheets and other files.

    Without --map it shows which of your columns it takes for what, and asks before it loads. The answer is
    kept as a column map in the workspace's folder maps; edit it and give it with --map next time.

    Rows that cannot be taken are kept with the reason: see `underlot rejects`. Loading the same file again
    changes nothing.

    \b
    Examples:
      underlot load jobs.xlsx
      underlot load spring.csv --map underlot-work/maps/jobs.toml
      underlot load lots.csv segments.csv inspections.csv findings.csv
    """
    column_map = ColumnMap.from_file(map_file) if map_file else None
    plans = in_order([plan_load(path, column_map=column_map, layout=layout, sheet=sheet) for path in files])
    for plan in plans:
        if plan.proposal is not None:
            show_proposal(plan, plan.proposal)
        elif plan.column_map.sheet is None:
            for note in sheet_notes(plan.raw):
                click.echo(f"{plan.path.name}: {note.for_the_map()}", err=True)
    _refuse_incomplete(plans)
    if any(plan.proposal is not None for plan in plans) and not is_confirmed and not _ask(plans):
        click.echo("Nothing was loaded.", err=True)
        return EXIT_NOT_CONFIRMED
    context.workspace.create()
    n_new = 0
    for plan in plans:
        report = load(context.workspace, plan.path, plan.column_map, progress=tell)
        n_new += 0 if report.already_loaded else report.n_accepted
        show_report(report)
        if plan.proposal is not None:
            tell(f"The map is kept in {save_map(context.workspace, plan)}")
    if n_new:
        tell("Curves, scores and budgets do not know of these rows yet. Work them in with: underlot build")
    return 0


def _ask(plans: list[LoadPlan]) -> bool:
    if not sys.stdin.isatty():
        raise SettingsError(
            "Nobody is here to confirm the proposed map. Check it above, then run again with --yes, "
            "or write a map and give it with --map."
        )
    words = "this map" if len(plans) == 1 else "these maps"
    return click.confirm(f"Load with {words}?", default=False, err=True)


def _refuse_incomplete(plans: list[LoadPlan]) -> None:
    for plan in plans:
        if plan.proposal is not None and not plan.proposal.is_complete:
            missing = "; ".join(plan.proposal.missing)
            raise SettingsError(
                f"{plan.path.name}: no column was found for: {missing}. Rows cannot be taken without it. "
                "Name the header in a column map and give it with --map, or choose another --layout."
            )


def show_proposal(plan: LoadPlan, proposal: Proposal) -> None:
    """Print which of their columns is taken for what, and what is open."""
    console = Console(width=TABLE_WIDTH)
    table = Table(
        title=f"{plan.path.name}: one row is read as one of '{plan.column_map.layout}'", title_justify="left"
    )
    for heading in ("your column", "is taken for", "unit or form", "for example"):
        table.add_column(heading, overflow="fold")
    for line in map_lines(plan):
        add_plain_row(table, line.header, line.column, line.unit, line.sample)
    console.print(table)
    if proposal.unplaced:
        shown, more = proposal.unplaced[:HEADERS_SHOWN], len(proposal.unplaced) - HEADERS_SHOWN
        rest = f" and {more} more" if more > 0 else ""
        console.print(f"Not placed, and not loaded: {', '.join(shown)}{rest}", markup=False)
    for note in proposal.notes:
        console.print(f"- {note}", markup=False)


def show_report(report: LoadReport) -> None:
    """Account for every row of the file."""
    if report.already_loaded is not None:
        click.echo(
            f"{report.file_name}: already loaded with this map on {report.already_loaded:%Y-%m-%d %H:%M} UTC; "
            "nothing was changed."
        )
        return
    click.echo(
        f"{report.file_name}: {report.n_read:,} read = {report.n_accepted:,} accepted + "
        f"{report.n_unchanged:,} unchanged + {report.n_duplicate:,} duplicate + {report.n_rejected:,} rejected"
        + (f"; {report.n_superseded:,} older rows replaced" if report.n_superseded else "")
    )
    for reason, n in sorted(report.rejects_by_reason.items()):
        click.echo(f"  {n:,} rejected: {reason.replace('_', ' ')}")
    if report.n_rejected:
        click.echo("  See them with: underlot rejects")
