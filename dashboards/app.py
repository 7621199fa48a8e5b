"""Puts the page that the address asks for into the frame that all pages share."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import panel as pn

from dashboards import labels, parts, theme, wording
from dashboards.data import Library, Records
from dashboards.filters import SHARED
from dashboards.pages import age, records, sale, town, where
from pipeline.errors import PublishedError

Page = Callable[[Records], pn.viewable.Viewable]

PAGES: dict[str, Page] = {
    "age": age.page,
    "where": where.page,
    "map": town.page,
    "sale": sale.page,
    "records": records.page,
}

FRAME = Path(__file__).with_name("page.html").read_text(encoding="utf-8")


def set_up_panel(*, threads: int) -> None:
    """Load what the pages need, and keep faults off the browser's console.

    Parameters
    ----------
    threads : int
        Threads that answer the users, so that one user's work doesn't hold up another's.
    """
    pn.extension(
        "vega",
        "filedropper",
        design="native",
        notifications=True,
        exception_handler=_tell_user,
        nthreads=threads,
        loading_indicator=True,
    )


def make_app(library: Library, pages: Mapping[str, Page] = PAGES) -> Callable[[], pn.Template]:
    """Return the function that Panel calls for each new session.

    Parameters
    ----------
    library : Library
        Hands out the published records.
    pages : mapping of str to callable
        Page builders under the words that choose them in the address.
    """

    def session() -> pn.Template:
        try:
            return _session(library, pages)
        except PublishedError as fault:
            return _frame("", _nothing(fault), {})
        except Exception:
            sentence = parts.report_defect("the frame of a page could not be built")
            return _frame("", parts.error_card(sentence), {})

    return session


def _session(library: Library, pages: Mapping[str, Page]) -> pn.Template:
    generation, published = library.borrow()
    pn.state.on_session_destroyed(lambda _context: library.give_back(generation))
    chosen = parts.from_address("page", pages) or next(iter(pages))
    parts.name_source(labels.source_line(published.run))
    body = parts.guarded(lambda: pages[chosen](published))
    return _frame(chosen, body, published.run)


def _nothing(fault: PublishedError) -> pn.viewable.Viewable:
    return pn.Column(
        parts.title("Underlot", str(fault)),
        parts.empty(wording.NOTHING_PUBLISHED, wording.NOTHING_PUBLISHED_TODO),
        sizing_mode="stretch_width",
    )


def _frame(page: str, body: pn.viewable.Viewable, run: Mapping[str, Any]) -> pn.Template:
    frame = pn.Template(FRAME, location=True)
    frame.add_variable("page", page)
    frame.add_variable("page_title", wording.PAGES.get(page, "Nothing to show"))
    frame.add_variable("pages", list(wording.PAGES.items()) if run else [])
    frame.add_variable("town", run["town_name"] if run else "")
    frame.add_variable("run_line", wording.run_line(run) if run else "")
    frame.add_variable("invented", wording.invented(run) if run else "")
    frame.add_variable("cautions_title", wording.CAUTIONS_TITLE)
    frame.add_variable("cautions", wording.CAUTIONS)
    frame.add_variable("shared", json.dumps(SHARED))
    frame.add_variable("look", theme.LOOK)
    frame.add_variable("font", theme.FONT)
    frame.add_panel("main", body)
    if pn.state.notifications is not None:
        frame.add_panel("notifications", pn.state.notifications)
    return frame


def _tell_user(fault: BaseException) -> None:
    try:
        raise fault
    except Exception:
        sentence = parts.report_defect("an answer to the user failed")
    if pn.state.notifications is not None:
        pn.state.notifications.error(sentence, duration=0)
