"""Small pieces that every page is put together from: text, tables, cards, guarded and live areas."""

from __future__ import annotations

import html
import io
import logging
import secrets
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextvars import ContextVar
from typing import Any
from weakref import WeakKeyDictionary

import altair as alt
import panel as pn
import param
import polars as pl
from markupsafe import Markup, escape

from dashboards import downloads, markup, theme, wording
from pipeline.errors import UnderlotError
from pipeline.formulas import as_csv

log = logging.getLogger("underlot.dashboard")

#: A column of a table, under the name by which pages know it.
Shown = markup.Shown

Builder = Callable[[], pn.viewable.Viewable]
Rows = pl.DataFrame | Callable[[], pl.DataFrame]

CARD_STYLE = {
    "background": theme.CARD,
    "border": f"1px solid {theme.RULE}",
    "border-radius": "4px",
    "padding": "14px 16px",
}


WRAPPED = {"flex-wrap": "wrap", "gap": "0 14px", "align-items": "flex-start"}


def text(markup: str) -> pn.pane.HTML:
    """Put markup on the page; everything from the records in it must have been escaped."""
    return pn.pane.HTML(
        str(markup),
        stylesheets=[theme.LOOK],
        sizing_mode="stretch_width",
        margin=(0, 0, 8, 0),
        styles={"color": theme.INK, "font-family": theme.FONT},
    )


def title(words: str, lead: str) -> pn.pane.HTML:
    """Return a page's heading with its one-sentence lead."""
    return text(markup.title(words, lead))


def first_up(words: str) -> str:
    """Return the words with a capital first letter and the rest as it was."""
    return words[:1].upper() + words[1:]


def heading(words: str) -> pn.pane.HTML:
    """Return the heading of a section."""
    return text(markup.heading(words))


def paragraph(*sentences: str, small: bool = False) -> pn.pane.HTML:
    """Return sentences as one paragraph."""
    return text(markup.paragraph(*sentences, small=small))


def note(sentence: str) -> pn.pane.HTML:
    """Return something the reader must not miss."""
    return text(markup.note(sentence))


def caution(words: str, sentences: Sequence[str] = ()) -> pn.pane.HTML:
    """Return a warning, with a list where there is more than one thing to heed."""
    return text(markup.caution(words, sentences))


def bullets(sentences: Iterable[str]) -> pn.pane.HTML:
    """Return sentences as a list."""
    return text(markup.bullets(sentences))


def figures(pairs: Iterable[tuple[str, str]]) -> pn.pane.HTML:
    """Return big numbers, each with what it counts."""
    return text(markup.figures(pairs))


def label(words: str) -> pn.pane.HTML:
    """Return the label of a widget that does not draw its own."""
    return text(Markup('<p class="u-small" style="margin:0">{}</p>').format(words))


def text_with_commands(sentence: str) -> pn.pane.HTML:
    """Return a paragraph in which `…` marks a command to be typed."""
    return text(Markup('<p class="u-text">{}</p>').format(_commands(sentence)))


def _commands(sentence: str) -> Markup:
    pieces = str(escape(sentence)).split("`")
    return Markup("".join(f"<code>{p}</code>" if i % 2 else p for i, p in enumerate(pieces)))


def key(entries: Iterable[tuple[str, str]]) -> pn.pane.HTML:
    """Return colours with what they mean, for charts whose own legend would not fit a narrow screen."""
    items = Markup("").join(
        Markup('<span class="u-keyed"><span class="u-swatch" style="background:{}"></span>{}</span> ').format(
            colour, words
        )
        for colour, words in entries
    )
    return text(Markup('<p class="u-small">{}</p>').format(items))


def empty(words: str, todo: str) -> pn.pane.HTML:
    """Return what stands where there is nothing to show: why, and what to do; `…` in it marks a command."""
    return text(
        Markup('<div class="u-empty"><h2 class="u-h2">{}</h2><p class="u-text">{}</p></div>').format(
            words, _commands(todo)
        )
    )


def card(*pieces: pn.viewable.Viewable, **params: Any) -> pn.Column:
    """Return pieces on one sheet."""
    return pn.Column(
        *pieces, styles=CARD_STYLE, **{"sizing_mode": "stretch_width", "margin": (0, 0, 14, 0), **params}
    )


def folded(words: str, *pieces: pn.viewable.Viewable, is_open: bool = False) -> pn.Card:
    """Return pieces that are put away under their title until it is pressed."""
    header = pn.pane.HTML(str(escape(words)), margin=0, styles={"font-size": "15px", "font-weight": "600"})
    return pn.Card(
        *pieces, header=header, collapsed=not is_open, sizing_mode="stretch_width", margin=(6, 0, 6, 0),
        stylesheets=[theme.FOLD],
    )  # fmt: skip


def side_by_side(*pieces: pn.viewable.Viewable, least_px: int = 330) -> pn.Row:
    """Return pieces beside each other where the screen is wide enough, else below each other."""
    for piece in pieces:
        piece.styles = {**piece.styles, "flex": f"1 1 {least_px}px", "min-width": "0"}
    # A plain row that may wrap: Panel's own flexible box is a page's dearest piece.
    return pn.Row(*pieces, sizing_mode="stretch_width", styles=WRAPPED, margin=0)


class Chart:
    """A chart with its source, its downloads and a sentence for those who do not see it.

    Parameters
    ----------
    drawing : Chart or dict
        An Altair chart, or a specification.
    says : str
        What the chart shows.
    height : int
        Height [px].
    data : DataFrame or callable, optional
        Rows of the published table behind it, or what returns them, for the CSV; the drawn rows where not given.
    name : str
        Stem of the files that are saved.
    pane : Vega, optional
        What draws it, where that is not the usual one.

    Attributes
    ----------
    panel : Column
        What stands on the page.
    """

    def __init__(
        self,
        drawing: alt.TopLevelMixin | dict[str, Any],
        *,
        says: str,
        height: int,
        data: Rows | None = None,
        name: str = "chart",
        pane: pn.pane.Vega | None = None,
    ) -> None:
        self._stem = _stem(name)
        self._source = source_line()
        self._pane = pn.pane.Vega() if pane is None else pane
        self._pane.param.update(
            object=self._signed(drawing, says, data), sizing_mode="stretch_width", height=height, margin=0, min_width=0,
            stylesheets=[theme.CHART],
        )  # fmt: skip
        self._table = save_button(
            "save as CSV", lambda: io.BytesIO(as_csv(self._rows()).encode()), f"{self._stem}.csv"
        )
        # The drawing sets its own links, PNG and SVG, to the right of this one.
        self._table.styles = {"margin-left": "auto", "margin-right": "88px"}
        self._said = paragraph(says, small=True)
        self.panel = pn.Column(
            self._pane, self._table, self._said, sizing_mode="stretch_width", margin=(0, 0, 8, 0)
        )

    def redraw(
        self,
        drawing: alt.TopLevelMixin | dict[str, Any],
        *,
        says: str,
        data: Rows | None = None,
        name: str | None = None,
    ) -> None:
        """Draw something else in the same place, which takes a tenth of the time of a new chart.

        Not for drawings with a selection of points.
        """
        if name is not None:
            self._stem = _stem(name)
            self._table.filename = f"{self._stem}.csv"
        self._pane.object = self._signed(drawing, says, data)
        self._said.object = markup.paragraph(says, small=True)

    def _signed(
        self, drawing: alt.TopLevelMixin | dict[str, Any], says: str, data: Rows | None
    ) -> dict[str, Any]:
        # As a dictionary, since Panel would translate an Altair chart several times, at up to 0.1 s each.
        spec = drawing if isinstance(drawing, dict) else theme.dress(drawing)
        self._rows = (
            (lambda: downloads.rows_of(spec)) if data is None else data if callable(data) else (lambda: data)
        )
        return theme.sign(spec, says=says, source=self._source, name=self._stem)


def _stem(name: str) -> str:
    return f"underlot {name}".replace(" ", "_")


def chart(drawing: alt.TopLevelMixin | dict[str, Any], **about: Any) -> pn.Column:
    """Return a `Chart` as it stands on the page, where it is never drawn again."""
    return Chart(drawing, **about).panel


def report_buttons(file_stem: str, writers: Mapping[str, Callable[[], bytes]]) -> pn.Row:
    """Return links that make a report in each of its forms when they are pressed.

    Parameters
    ----------
    file_stem : str
        Name of the file without its ending.
    writers : mapping of str to callable
        By ending, such as '.pdf'.
    """
    stem = _as_file_name(file_stem)

    def button(ending: str, writer: Callable[[], bytes]) -> pn.widgets.FileDownload:
        return save_button(f"Report as {ending[1:].upper()}", lambda: io.BytesIO(writer()), f"{stem}{ending}")

    return pn.Row(*(button(*pair) for pair in writers.items()), styles=WRAPPED, sizing_mode="stretch_width")


def rename_reports(buttons: pn.Row, file_stem: str) -> None:
    """Give the files of `report_buttons` another name."""
    for button in buttons:
        button.filename = f"{_as_file_name(file_stem)}.{button.filename.rpartition('.')[2]}"


def _as_file_name(words: str) -> str:
    return "".join(letter if letter.isalnum() else "_" for letter in words)


def save_button(words: str, made: Callable[[], io.BytesIO], file_name: str) -> pn.widgets.FileDownload:
    """Return a link that makes a file when it is pressed, and saves it."""
    return pn.widgets.FileDownload(
        callback=made, filename=file_name, label=words, auto=True, embed=False, button_type="light",
        stylesheets=[theme.SAVE], margin=0, sizing_mode=None,
    )  # fmt: skip


#: The run behind the numbers of each session's pages.
_SOURCES: WeakKeyDictionary[Any, str] = WeakKeyDictionary()


def name_source(line: str) -> None:
    """Say which run all charts of this session are drawn from."""
    if pn.state.curdoc is not None:
        _SOURCES[pn.state.curdoc] = line


def source_line() -> str:
    """Which run the charts of this session are drawn from."""
    return _SOURCES.get(pn.state.curdoc, "") if pn.state.curdoc is not None else ""


class Choice(param.Parameterized):
    """A choice made by other means than one widget."""

    value = param.String()


def table(frame: pl.DataFrame, columns: Sequence[Shown], *, caption: str) -> pn.pane.HTML:
    """Return a plain table, which every screen reader knows; it scrolls sideways on a narrow screen."""
    return text(markup.table(frame, columns, caption=caption))


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


def error_card(sentence: str, words: str = wording.ERROR_TITLE) -> pn.pane.HTML:
    """Return a card for a fault."""
    return text(
        Markup(
            '<div class="u-error" role="alert"><h2 class="u-h2">{}</h2><p class="u-text">{}</p></div>'
        ).format(words, sentence)
    )


def error_page(sentence: str) -> pn.viewable.Viewable:
    """Return a card for a fault of a whole page, which then needs a heading of its own."""
    return pn.Column(title("Underlot", ""), error_card(sentence), sizing_mode="stretch_width")


def progress(stage: str, share: float | None) -> pn.pane.HTML:
    """Return a bar that tells how far long work has come; without a share it only tells the stage."""
    value = Markup("") if share is None else Markup(' aria-valuenow="{}"').format(round(100 * share))
    width = 100 if share is None else max(2, round(100 * share))
    kind = "u-bar-open" if share is None else "u-bar-known"
    return text(
        Markup(
            '<div class="u-progress" role="progressbar" aria-label="Progress" aria-valuemin="0" aria-valuemax="100"{}>'
            '<div class="{}" style="width:{}%"></div></div><p class="u-small" role="status">{} …</p>'
        ).format(value, kind, width, stage)
    )


def frame_of(rows: Sequence[Mapping[str, Any]]) -> pl.DataFrame:
    """Return rows that did not come from a published table as a frame, for `table`."""
    return pl.DataFrame(rows, infer_schema_length=None)


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
