"""A card of texts and charts whose content changes in its place."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import panel as pn
from markupsafe import Markup

from dashboards import parts


@dataclass(frozen=True, slots=True)
class Drawing:
    """A chart to be shown, with what `parts.Chart` needs.

    Attributes
    ----------
    spec : dict
        A dressed specification.
    says : str
        What it shows.
    height : int
        Height [px].
    name : str
        Stem of the files that are saved.
    """

    spec: dict[str, Any]
    says: str
    height: int
    name: str


Piece = Markup | Drawing


class Sheet:
    """A card that shows other pieces without being built anew, as long as charts and texts follow each other alike.

    Attributes
    ----------
    panel : Column
        What stands on the page.
    """

    def __init__(self) -> None:
        self.panel = parts.card()
        self._order: list[type] = []
        self._shown: list[pn.pane.HTML | parts.Chart] = []

    def show(self, pieces: Iterable[Piece]) -> None:
        """Show pieces in place of those that are there."""
        joined = _joined(pieces)
        order = [type(piece) for piece in joined]
        if order == self._order:
            for shown, piece in zip(self._shown, joined, strict=True):
                _change(shown, piece)
            return
        self._order, self._shown = order, [_built(piece) for piece in joined]
        self.panel.objects = [
            shown.panel if isinstance(shown, parts.Chart) else shown for shown in self._shown
        ]


def _joined(pieces: Iterable[Piece]) -> list[Piece]:
    """Put neighbouring texts into one: a page of few panes is built and drawn much faster."""
    joined: list[Piece] = []
    for piece in pieces:
        if joined and isinstance(piece, Markup) and isinstance(joined[-1], Markup):
            joined[-1] += Markup('<div class="u-gap"></div>') + piece
        else:
            joined.append(piece)
    return joined


def _built(piece: Piece) -> pn.pane.HTML | parts.Chart:
    if isinstance(piece, Drawing):
        return parts.Chart(piece.spec, says=piece.says, height=piece.height, name=piece.name)
    return parts.text(piece)


def _change(shown: pn.pane.HTML | parts.Chart, piece: Piece) -> None:
    if isinstance(shown, parts.Chart):
        assert isinstance(piece, Drawing)
        shown.redraw(piece.spec, says=piece.says, name=piece.name)
    else:
        shown.object = str(piece)
