"""Puts the page that the address asks for into the frame that all pages share."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import panel as pn

from dashboards import labels, parts, theme, wording
from dashboards.access import present_account
from dashboards.data import Library, Records
from dashboards.filters import SHARED
from dashboards.in_turn import InTurn
from dashboards.pages import age, budget, canvass, connections, records, sale, town, trust, where
from pipeline.accounts import ALL, BLOCKS, PORTFOLIO, Account, Accounts
from pipeline.errors import PublishedError
from pipeline.settings import Workspace

Page = Callable[[Records], pn.viewable.Viewable]

PAGES: dict[str, Page] = {
    "age": age.page,
    "where": where.page,
    "map": town.page,
    "sale": sale.page,
    "budget": budget.page,
    "connections": connections.page,
    "canvass": canvass.page,
    "trust": trust.page,
    "records": records.page,
}

#: Pages of accounts that do not see everything; what they show is cut to what the account may see.
ROLE_PAGES = {
    PORTFOLIO: frozenset({"age", "where", "map", "sale", "budget"}),
    BLOCKS: frozenset({"age", "where", "canvass"}),
}

FRAME = Path(__file__).with_name("page.html").read_text(encoding="utf-8")
IN_PLACE = Path(__file__).with_name("in_place.js").read_text(encoding="utf-8")


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
    # Panel offers no way to hand it a pool; its own does a click before the field that was changed just before it.
    pn.state._thread_pool = InTurn(threads)


def make_app(
    library: Library, pages: Mapping[str, Page] = PAGES, gate: Workspace | None = None
) -> Callable[[], pn.Template]:
    """Return the function that Panel calls for each new session.

    Parameters
    ----------
    library : Library
        Hands out the published records.
    pages : mapping of str to callable
        Page builders under the words that choose them in the address.
    gate : Workspace, optional
        Whose accounts decide what a session may see; None where no accounts are kept.
    """

    def session() -> pn.Template:
        try:
            return _session(library, pages, gate)
        except PublishedError as fault:
            return _frame(Frame("", _nothing(fault)))
        except Exception:
            sentence = parts.report_defect("the frame of a page could not be built")
            return _frame(Frame("", parts.error_page(sentence)))

    return session


def _session(library: Library, pages: Mapping[str, Page], gate: Workspace | None) -> pn.Template:
    account = present_account(None if gate is None else Accounts(gate))
    lent = library.borrow(account)
    pn.state.on_session_destroyed(lambda _context: library.give_back(lent))
    allowed = {name: page for name, page in pages.items() if may_open(account, name)}
    parts.name_source(labels.source_line(lent.records.run))
    chosen = parts.from_address("page", allowed) or next(iter(allowed))
    body = parts.guarded(lambda: allowed[chosen](lent.records), parts.error_page)
    return _frame(Frame(chosen, body, lent.records.run, tuple(allowed), account.name if account else ""))


def may_open(account: Account | None, page: str) -> bool:
    """Whether an account may open a page; one that is not listed here is for those who see everything."""
    if account is None or account.role == ALL:
        return True
    return page in ROLE_PAGES[account.role]


@dataclass(frozen=True, slots=True)
class Frame:
    """What stands in and around a page.

    Attributes
    ----------
    page : str
        Word that chooses it in the address.
    body : Viewable
        The page.
    run : mapping
        The build behind it; empty where nothing is published.
    pages : tuple of str
        Pages that can be chosen.
    user : str
        Who is signed in; empty where nobody has to.
    """

    page: str
    body: pn.viewable.Viewable
    run: Mapping[str, Any] = field(default_factory=dict)
    pages: tuple[str, ...] = ()
    user: str = ""


def _nothing(fault: PublishedError) -> pn.viewable.Viewable:
    return pn.Column(
        parts.title("Underlot", str(fault)),
        parts.empty(wording.NOTHING_PUBLISHED, wording.NOTHING_PUBLISHED_TODO),
        sizing_mode="stretch_width",
    )


class _Template(pn.Template):
    """Puts all pieces into the document in one go: Bokeh looks through all of them again after each change."""

    def __repr__(self) -> str:
        """Return no more than a name: Panel asks for each piece that is added, and its own tells of every setting."""
        return "Template"

    def server_doc(self, doc: Any = None, title: str | None = None, location: Any = True) -> Any:
        """Put the page into a session's document."""
        with (doc or pn.state.curdoc).models.freeze():
            return super().server_doc(doc, title, location)


def _frame(shown: Frame) -> pn.Template:
    run = shown.run
    frame = _Template(FRAME, location=True)
    frame.add_variable("page", shown.page)
    frame.add_variable("page_title", wording.PAGES.get(shown.page, "Nothing to show"))
    frame.add_variable("pages", [(name, wording.PAGES.get(name, name)) for name in shown.pages])
    frame.add_variable("user", shown.user)
    frame.add_variable("town", run["town_name"] if run else "")
    frame.add_variable("run_line", wording.run_line(run) if run else "")
    frame.add_variable("invented", wording.invented(run) if run else "")
    frame.add_variable("cautions_title", wording.CAUTIONS_TITLE)
    frame.add_variable("cautions", wording.CAUTIONS)
    frame.add_variable("shared", json.dumps(SHARED))
    frame.add_variable("look", theme.LOOK)
    frame.add_variable("font", theme.FONT)
    frame.add_variable("print_look", theme.PRINT)
    frame.add_variable("in_place", IN_PLACE)
    frame.add_variable("print_rules", json.dumps(theme.PRINT))
    frame.add_panel("main", shown.body)
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
