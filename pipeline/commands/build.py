"""`underlot build`."""

from __future__ import annotations

import click

from pipeline.commands import Context, tell
from pipeline.steps.build import BuildReport, build


@click.command("build")
@click.pass_obj
def build_command(context: Context) -> None:
    """Work out curves and scores from what is loaded, and publish them.

    Run it after loading files or changing settings.toml. What was published before stays in use until the
    new results are complete.

    \b
    Example:
      underlot build
    """
    show_report(build(context.workspace, progress=tell))


def show_report(report: BuildReport) -> None:
    """Say in a few lines what was built."""
    click.echo(
        f"Published {report.generation} in {report.seconds:.0f} s: {report.n_scored:,} of {report.n_lots:,} lots scored; "
        f"{report.n_curves} fitted curves, {report.n_refused} refused for want of records."
    )
    click.echo(f"Run {report.run_id}, seed {report.seed}. See it with: underlot dashboard")
