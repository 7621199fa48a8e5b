"""Starting the dashboard and writing its reports; the only module of the pipeline that may import `dashboards`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from pipeline.exports import log_export
from pipeline.settings import Workspace

THIS_MACHINE = "127.0.0.1"


def start_dashboard(
    workspace: Workspace,
    *,
    port: int,
    open_browser: bool,
    address: str = THIS_MACHINE,
    origins: Sequence[str] = (),
) -> None:
    """Serve the published results until stopped.

    Raises
    ------
    UnderlotError
        The port cannot be used, nothing is published, or others could reach it and there are no accounts.
    """
    # Panel takes seconds to import; no other command should wait for it.
    from dashboards.serve import serve  # noqa: PLC0415

    serve(workspace, port=port, open_browser=open_browser, address=address, origins=origins)


def write_report(workspace: Workspace, path: Path, *, lot: str | None, subdivision: str | None) -> str:
    """Write a report from what is published, and a line in the log of exports; return what it is about.

    Raises
    ------
    UnderlotError
        Nothing is published, nothing or several things have that name, or the file cannot be written.
    """
    from dashboards.reports.make import save_report  # noqa: PLC0415

    def log(title: str, n_lots: int, run_id: str) -> None:
        purpose = f"{'subdivision' if lot is None else 'pre-sale'} report on {title}"
        log_export(
            workspace, command="report", target=str(path), purpose=purpose, n_lots=n_lots, run_id=run_id
        )

    return save_report(workspace, path, lot=lot, subdivision_name=subdivision, before_writing=log)


def check_report_name(path: Path) -> None:
    """Refuse a name that no report can be written as.

    Raises
    ------
    SettingsError
        It ends in neither .html nor .pdf.
    """
    from dashboards.reports.make import writer_for  # noqa: PLC0415

    writer_for(path)


def write_programme(workspace: Workspace, path: Path, facts: Mapping[str, Any]) -> None:
    """Write a connection programme; `facts` are the fields of `dashboards.reports.connections.Programme`.

    Raises
    ------
    UnderlotError
        As in `write_report`.
    """
    from dashboards.reports.make import save_programme  # noqa: PLC0415

    save_programme(workspace, path, facts)


def write_reserve_plan(path: Path, facts: Mapping[str, Any]) -> None:
    """Write a reserve plan as a page; `facts` are the fields of `dashboards.reports.reserve.ReservePlan`.

    Raises
    ------
    UnderlotError
        The file cannot be written.
    """
    from dashboards.reports.make import save_reserve_plan  # noqa: PLC0415

    save_reserve_plan(path, facts)
