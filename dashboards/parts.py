"""What every page is put together from; the way in to `pieces` and `page_charts`. Here: guarded and live areas."""

from __future__ import annotations

import html
import logging
import secrets
from collections.abc import Callable, Iterable
from contextvars import ContextVar
from typing import Any

import panel as pn
import param

from dashboards.markup import Shown
from dashboards.page_charts import Chart, chart, name_source, rename_reports, report_buttons
from dashboards.pieces import (
    WRAPPED,
    bullets,
    card,
    caution,
    empty,
    error_card,
    error_page,
    figures,
    first_up,
    folded,
    frame_of,
    heading,
    key,
    label,
    note,
    paragraph,
    progress,
    side_by_side,
    table,
    text,
    text_with_commands,
    title,
)
from pipeline.errors import UnderlotError

__all__ = [
    "WRAPPED",
    "Chart",
    "Choice",
    "Shown",
    "bullets",
    "card",
    "caution",
    "chart",
    "empty",
    "error_card",
    "error_page",
    "figures",
    "first_up",
    "folded",
    "follow",
    "frame_of",
    "from_address",
    "guarded",
    "heading",
    "keep_in_address",
    "key",
    "label",
    "live",
    "live_text",
    "name_source",
    "note",
    "paragraph",
    "progress",
    "rename_reports",
    "report_buttons",
    "report_defect",
    "side_by_side",
    "table",
    "text",
    "text_with_commands",
    "title",
    "told",
]

log = logging.getLogger("underlot.dashboard")

Builder = Callable[[], pn.viewable.Viewable]


class Choice(param.Parameterized):
    """A choice made by other means than one widget."""

    value = param.String()


def guarded(
    builder: Builder, card: Callable[[str], pn.viewable.Viewable] | None = None
) -> pn.viewable.Viewable:
    """Build a piece of a page; if that fails, return a card that says so instead of an empty page.

    Parameters
    ----------
    builder : callable
        Builds the piece.
    card : callable, optional
        Makes the card from a sentence; `error_card` where not given.
    """
    try:
        return builder()
    except UnderlotError as fault:
        return (card or error_card)(str(fault))
    except Exception:
        return (card or error_card)(report_defect("a part of the page could not be built"))


def told(action: Callable[[], None]) -> None:
    """Do something that a drawing asked for; tell the user where it fails (Panel only guards its widgets)."""
    try:
        action()
    except UnderlotError as fault:
        _notify(str(fault))
    except Exception:
        _notify(report_defect("an answer to the user failed"))


def _notify(sentence: str) -> None:
    if pn.state.notifications is not None:
        pn.state.notifications.error(sentence, duration=0)


def report_defect(what: str) -> str:
    """Log the exception at hand under a short reference, and return the sentence that names it."""
    reference = secrets.token_hex(3).upper()
    log.exception("%s [reference %s]", what, reference)
    return f"Something went wrong that should not have. The log of the dashboard has the details under the reference {reference}."


#: What ends the watching of widgets by the area that is being built.
_ENDS: ContextVar[list[Callable[[], None]] | None] = ContextVar("_ENDS", default=None)


def follow(widget: param.Parameterized, told_of: Callable[[Any], None]) -> None:
    """Call a function whenever a widget changes, until the live area in which it is said is built again.

    Parameters
    ----------
    widget : Parameterized
        With a `value`.
    told_of : callable
        Takes the event.
    """
    watcher = widget.param.watch(told_of, "value")
    ends = _ENDS.get()
    if ends is not None:
        ends.append(lambda: widget.param.unwatch(watcher))


def live(builder: Callable[..., pn.viewable.Viewable], *widgets: param.Parameterized) -> pn.Column:
    """Return an area that is built again, guarded, whenever one of the widgets changes."""
    area = pn.Column(sizing_mode="stretch_width", margin=0)
    ends: list[Callable[[], None]] = []

    def end() -> None:
        while ends:
            ends.pop()()

    def rebuild(*_events: object) -> None:
        # What stood here must not go on answering widgets outside it that stay.
        end()
        outer = _ENDS.set(ends)
        try:
            with area.param.update(loading=True):
                area.objects = [guarded(lambda: builder(*(w.value for w in widgets)))]
        finally:
            _ENDS.reset(outer)

    for widget in widgets:
        follow(widget, rebuild)
    around = _ENDS.get()
    if around is not None:
        around.append(end)
    rebuild()
    return area


def live_text(builder: Callable[..., pn.pane.HTML], *widgets: param.Parameterized) -> pn.pane.HTML:
    """Return a text, or a table, that changes in its place whenever one of the widgets does."""

    def built() -> pn.pane.HTML:
        return builder(*(w.value for w in widgets))

    shown = built()

    def change(_event: object) -> None:
        shown.object = built().object

    for widget in widgets:
        follow(widget, change)
    return shown


def from_address(name: str, allowed: Iterable[str] | None = None) -> str | None:
    """Return a value given in the address bar, if it is one that can be chosen."""
    given = pn.state.session_args.get(name, [b""])[0].decode("utf-8", "replace")
    if not given or (allowed is not None and given not in set(allowed)):
        return None
    return html.unescape(given)


def keep_in_address(widget: param.Parameterized, name: str) -> None:
    """Write the widget's value into the address bar, so that the view can be sent as a link."""

    def write(event: Any) -> None:
        location = pn.state.location
        if location is not None:
            value = event.new
            location.update_query(
                **{name: ",".join(value) if isinstance(value, list) else ("" if value is None else value)}
            )

    widget.param.watch(write, "value")
