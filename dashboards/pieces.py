"""Texts, tables and cards as they stand on a page."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import panel as pn
import polars as pl
from markupsafe import Markup, escape

from dashboards import markup, theme, wording
from dashboards.markup import Shown

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


def table(frame: pl.DataFrame, columns: Sequence[Shown], *, caption: str) -> pn.pane.HTML:
    """Return a plain table, which every screen reader knows; it scrolls sideways on a narrow screen."""
    return text(markup.table(frame, columns, caption=caption))


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
