"""Text of strangers in CSV: a spreadsheet would run a cell that begins like a formula, so an apostrophe goes before it.

Signs and remedy are those of CWE-1236 and of OWASP ASVS 5.0, 1.2.10; carriage return, line feed and the full-width
signs, which some spreadsheets read alike, from memory of OWASP's page on CSV injection. Text that already has
apostrophes before such a sign gets one more, so that taking one away gives back what was there. Excel files
need none of this: there a cell says itself that it is text.
"""

from __future__ import annotations

import re

import polars as pl

#: Headers of the two columns that a file of rejected rows has besides its own.
ROW_HEADER = "row of the file"
REASON_HEADER = "why it was not taken"

_SIGNS = r"[=+\-@\t\r\n\x00＝＋－＠]"
_LIKE_A_FORMULA = rf"^'*{_SIGNS}"
_GUARDED = rf"^'+{_SIGNS}"
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")


def as_csv(frame: pl.DataFrame, *, float_precision: int | None = None) -> str:
    """Write typed rows as CSV, in which no text is run as a formula.

    Parameters
    ----------
    frame : DataFrame
        Its columns of text are guarded; numbers stay numbers.
    float_precision : int, optional
        Figures after the point; all where not given.
    """
    texts = [
        pl.when(pl.col(name).str.contains(_LIKE_A_FORMULA))
        .then(pl.concat_str(pl.lit("'"), pl.col(name)))
        .otherwise(pl.col(name))
        .alias(name)
        for name, kind in frame.schema.items()
        if kind == pl.String
    ]
    return frame.with_columns(texts).write_csv(float_precision=float_precision)


def guarded(cell: str) -> str:
    """Return a cell that was given as text so that it stays text; what is no more than a number is left as it is."""
    if re.match(_LIKE_A_FORMULA, cell) and not _NUMBER.fullmatch(cell):
        return f"'{cell}"
    return cell


def is_guarded(headers: tuple[str, ...]) -> bool:
    """Whether headers are those of a file of rejected rows, whose cells went through `guarded`."""
    return {ROW_HEADER, REASON_HEADER} <= set(headers)


def as_given(text: pl.Expr) -> pl.Expr:
    """Take away what `guarded` has put before a text."""
    return pl.when(text.str.contains(_GUARDED)).then(text.str.slice(1)).otherwise(text)
