"""Starting the dashboard; the only module of the pipeline that may import `dashboards`."""

from __future__ import annotations

from pipeline.settings import Workspace


def start_dashboard(workspace: Workspace, *, port: int, open_browser: bool) -> None:
    """Serve the published results until stopped.

    Raises
    ------
    UnderlotError
        The port cannot be used, or nothing is published.
    """
    # Panel takes seconds to import; no other command should wait for it.
    from dashboards.serve import serve  # noqa: PLC0415

    serve(workspace, port=port, open_browser=open_browser)
