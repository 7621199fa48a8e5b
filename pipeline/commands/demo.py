"""`underlot demo`."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

from pipeline.columns import TABLES
from pipeline.commands import Context, tell
from pipeline.commands.build import show_report
from pipeline.commands.dashboard import port_option
from pipeline.commands.serve import start_dashboard
from pipeline.errors import SettingsError
from pipeline.published.read import open_current
from pipeline.settings import DetectionRates, Settings, Workspace
from pipeline.steps.build import build
from pipeline.steps.load import load
from pipeline.steps.load_plan import plan_load

DEFAULT_LOTS = 20_000
DEFAULT_SEED = 1
#: More than any town has, and than a machine holds at once.
MOST_LOTS = 10_000_000
DESCRIPTION = "town.json"
#: Looks at pipe of known state that the camera's rates are worth in the invented town's settings.
TRIAL_LOOKS = 100


@click.command("demo")
@click.option("--lots", type=int, default=DEFAULT_LOTS, show_default=True, help="Lots of the invented town.")
@click.option(
    "--seed",
    type=click.IntRange(min=0),
    default=DEFAULT_SEED,
    show_default=True,
    help="Another seed, another town.",
)
@port_option
@click.option("--no-serve", is_flag=True, help="Build everything, but do not start the dashboard.")
@click.option("--no-browser", is_flag=True, help="Print the address only; do not open the browser.")
@click.pass_obj
def demo_command(context: Context, lots: int, seed: int, port: int, no_serve: bool, no_browser: bool) -> None:
    """Build an invented town and show its laterals in the browser.

    Streets, pipes and inspections are made up, and every page says so. Nothing outside the workspace folder
    is touched. Run again, it uses what is there already.

    \b
    Example:
      underlot demo --lots 2000
    """
    workspace = context.workspace
    folder = workspace.root / "town"
    description = _town(workspace, folder, lots=lots, seed=seed)
    for name in TABLES:
        path = folder / f"{name}.csv"
        tell(f"Loading {name}")
        load(workspace, path, plan_load(path, layout=name).column_map)
    if not _is_built(workspace):
        show_report(build(workspace, progress=tell))
    click.echo(f"{description['town_name']} is an invented town: nothing in it is real.")
    if not no_serve:
        start_dashboard(workspace, port=port, open_browser=not no_browser)


def _town(workspace: Workspace, folder: Path, *, lots: int, seed: int) -> dict[str, Any]:
    """Draw the town, or take the one that is there if it is the one asked for."""
    known = folder / DESCRIPTION
    if known.exists():
        description = _described(known)
        if (description["n_lots"], description["seed"]) != (lots, seed):
            msg = (
                f"{workspace.root} already holds a town of {description['n_lots']:,} lots with seed "
                f"{description['seed']}. Name another folder with --workspace, or ask for that town."
            )
            raise SettingsError(msg)
        return description
    if workspace.warehouse.exists():
        msg = (
            f"{workspace.root} holds your own records; the invented town would mix with them. "
            "Name another folder: underlot --workspace demo-town demo"
        )
        raise SettingsError(msg)
    # The town is drawn by code that shares nothing with ours; only this command needs it.
    from synthetic_data.write import FEWEST_LOTS, generate  # noqa: PLC0415

    if lots < FEWEST_LOTS:
        raise SettingsError(f"--lots {lots}: a town needs at least {FEWEST_LOTS} lots. Ask for more.")
    if lots > MOST_LOTS:
        raise SettingsError(f"--lots {lots}: a town has at most {MOST_LOTS:,} lots. Ask for fewer.")
    workspace.create()
    generate(folder, n_lots=lots, seed=seed, progress=tell)
    description = _described(known)
    workspace.write_settings(town_settings(description))
    return description


def _described(file: Path) -> dict[str, Any]:
    try:
        description: dict[str, Any] = json.loads(file.read_text(encoding="utf-8"))
        if {"n_lots", "seed", "town_name", "detection"} <= set(description):
            return description
    except (OSError, ValueError, TypeError):
        pass
    raise SettingsError(
        f"{file}: this is no description of an invented town, or it is damaged. Name another folder with --workspace."
    )


def town_settings(description: dict[str, Any]) -> Settings:
    """The town's cameras miss and mistake at known rates, as a trial of so many looks may tell; set your own."""
    rates = {
        name: DetectionRates(pair[0], pair[1], TRIAL_LOOKS, TRIAL_LOOKS)
        for name, pair in description["detection"].items()
    }
    return Settings(
        town=description["town_name"], is_synthetic=True, detection={**Settings().detection, **rates}
    )


def _is_built(workspace: Workspace) -> bool:
    """Whether what is published was built with the present settings from every load."""
    if not (workspace.published / "current").exists():
        return False
    with open_current(workspace) as reader:
        same_settings = reader.manifest["settings"] == workspace.settings().to_toml()
        return bool(same_settings) and len(reader.manifest["files"]) >= len(TABLES)
