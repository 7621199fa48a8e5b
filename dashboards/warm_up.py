"""What the first page of a server pays for (imports, drawing, queries that are kept), paid before anybody waits."""

from __future__ import annotations

import gc
from collections.abc import Callable

import panel as pn
from bokeh.document import Document
from bokeh.server.contexts import BokehSessionContext
from panel.io.state import set_curdoc

from dashboards import parts


def warm_up(app: Callable[[], pn.Template]) -> None:
    """Make the page that opens first as for a reader, and let it go again.

    No session of the server has to do with it, so no count of readers moves. A fault is logged as one of a page
    would be, and keeps nobody from the server.

    Parameters
    ----------
    app : callable
        Makes the frame with its page; see `dashboards.app.make_app`.
    """
    document = Document()
    try:
        with set_curdoc(document):
            app().server_doc(document)
            document.to_json()
    except Exception:
        parts.report_defect("the first page could not be made ready")
    finally:
        _let_go(document)
    # What is there now stays; looking through it for garbage anew would take 0.2 s of many a page.
    gc.collect()
    gc.freeze()


def _let_go(document: Document) -> None:
    """End what a session would end: the records are given back, the page leaves Panel's lists."""
    # Panel takes an address twice out of its list while its root still has a document.
    document.clear()
    context = BokehSessionContext("warm-up", None, document)
    for ended in list(document.session_destroyed_callbacks):
        try:
            ended(context)
        except Exception:
            parts.report_defect("a page made ready could not be ended")
