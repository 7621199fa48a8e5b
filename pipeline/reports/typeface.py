"""The typeface of all reports: it travels with the package, so that a report looks alike on every machine.

DejaVu Sans Condensed 2.37 (its licence lies beside it), cut down by fontTools to Latin, Greek, Cyrillic and
common signs.
"""

from __future__ import annotations

import unicodedata
from functools import cache
from pathlib import Path
from xml.sax.saxutils import escape

import vl_convert
from reportlab.lib.fonts import addMapping
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

#: Name of the family, for charts and styles; the name of its bold cut, for styles.
FAMILY = "DejaVu Sans Condensed"
BOLD = f"{FAMILY} Bold"
#: Stands for a letter that the typeface does not have.
MISSING = "\N{REPLACEMENT CHARACTER}"

FOLDER = Path(__file__).with_name("typefaces")
FILES = {FAMILY: "DejaVuSansCondensed.ttf", BOLD: "DejaVuSansCondensed-Bold.ttf"}


def plain(words: str) -> str:
    """Return words as they can be printed: a letter that the typeface does not have gives way to a visible sign."""
    has = _letters()
    # Letters with an accent of their own: the typeface sets no accent on another letter.
    whole = unicodedata.normalize("NFC", words)
    return "".join(letter if ord(letter) in has or letter in "\n\t" else MISSING for letter in whole)


def marked_up(words: str) -> str:
    """Return words as a paragraph takes them, with nothing in them that it would take for markup."""
    return escape(plain(words))


@cache
def _letters() -> frozenset[int]:
    faces = [pdfmetrics.getFont(name).face.charToGlyph for name in FILES]
    return frozenset.intersection(*(frozenset(face) for face in faces))


def _make_known() -> None:
    """Make the typeface known to what writes PDFs and to what draws charts."""
    for name, file in FILES.items():
        pdfmetrics.registerFont(TTFont(name, str(FOLDER / file)))
    for is_bold in (False, True):
        # There is no slanted cut: what is slanted elsewhere stands upright.
        for is_slanted in (False, True):
            addMapping(FAMILY, is_bold, is_slanted, BOLD if is_bold else FAMILY)
    vl_convert.register_font_directory(str(FOLDER))


_make_known()
