"""What texts and tables look like, as markup; `parts` puts it on a page."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl
from markupsafe import Markup


def heading(words: str) -> Markup:
    """Return the heading of a section."""
    return Markup('<h2 class="u-h2">{}</h2>').format(words)


def note(sentence: str) -> Markup:
    """Return something the reader must not miss."""
    return Markup('<div class="u-note" role="note">{}</div>').format(sentence)


def caution(words: str, sentences: Sequence[str] = ()) -> Markup:
    """Return a warning, with a list where there is more than one thing to heed."""
    items = Markup("").join(Markup("<li>{}</li>").format(s) for s in sentences)
    more = Markup("<ul>{}</ul>").format(items) if sentences else ""
    return Markup('<div class="u-caution" role="note"><strong>{}</strong>{}</div>').format(words, more)


def bullets(sentences: Iterable[str]) -> Markup:
    """Return sentences as a list."""
    items = Markup("").join(Markup("<li>{}</li>").format(s) for s in sentences)
    return Markup('<ul class="u-list">{}</ul>').format(items)


def figures(pairs: Iterable[tuple[str, str]]) -> Markup:
    """Return big numbers, each with what it counts."""
    cells = Markup("").join(
        Markup('<div class="u-figure"><b>{}</b><span>{}</span></div>').format(value, label)
        for value, label in pairs
    )
    return Markup('<div class="u-figures">{}</div>').format(cells)


def title(words: str, lead: str) -> Markup:
    """Return a page's heading with its one-sentence lead."""
    return Markup('<h1 class="u-h1">{}</h1><p class="u-lead">{}</p>').format(words, lead)


def paragraph(*sentences: str, small: bool = False) -> Markup:
    """Return the markup of a paragraph."""
    kind = "u-small" if small else "u-text"
    return Markup('<p class="{}">{}</p>').format(kind, " ".join(s for s in sentences if s))


@dataclass(frozen=True, slots=True)
class Shown:
    """A column of a table on a page.

    Attributes
    ----------
    label : str
        Heading, with the unit.
    value : callable
        Takes the row, returns the cell's text.
    is_number : bool
        Set flush right.
    """

    label: str
    value: Callable[[Mapping[str, Any]], str]
    is_number: bool = False


def table(frame: pl.DataFrame, columns: Sequence[Shown], *, caption: str) -> Markup:
    """Return a plain table, which every screen reader knows; it scrolls sideways on a narrow screen."""
    head = Markup("").join(
        Markup('<th scope="col"{}>{}</th>').format(Markup(' class="n"') if c.is_number else "", c.label)
        for c in columns
    )
    body = Markup("").join(
        Markup("<tr>{}</tr>").format(Markup("").join(_cell(c, row) for c in columns))
        for row in frame.iter_rows(named=True)
    )
    return Markup(
        '<p class="u-caption2">{}</p><div class="u-scroll" tabindex="0" role="region" aria-label="{}">'
        '<table class="u-table" aria-label="{}"><thead><tr>{}</tr></thead><tbody>{}</tbody></table></div>'
    ).format(caption, caption, caption, head, body)


def _cell(column: Shown, row: Mapping[str, Any]) -> Markup:
    css = Markup(' class="n"') if column.is_number else ""
    return Markup("<td{}>{}</td>").format(css, column.value(row))
