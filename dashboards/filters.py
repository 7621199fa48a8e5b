"""The filters that pages share: what they ask for, their widgets, and their place in the address bar."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any

import panel as pn
import param

from dashboards import labels, parts, theme, wording

#: Names in the address that go with the reader from page to page.
SHARED = ("outcome", "subdivision", "portfolio", "material", "era", "purpose", "from", "to")
#: Upper ends of the classes in which chances are drawn and counted.
CHANCE_CLASSES = (0.1, 0.25, 0.5, 0.75, 1.0)
NO_CHANCE = len(CHANCE_CLASSES)
#: Stands for "everything" in a choice; a browser cannot send None.
ALL = ""


@dataclass(frozen=True, slots=True)
class View:
    """What a reader wants to see; empty means everything.

    Attributes
    ----------
    subdivision, portfolio : str
        Area, and tag of a group of lots.
    material, era, purpose : tuple of str
        Codes; any of them will do.
    first_year, last_year : int or None
        Calendar years of looks, both included.
    chance : int or None
        Which of `CHANCE_CLASSES` the estimate lies in; `NO_CHANCE` asks for lots without one. Only the map asks.
    """

    subdivision: str = ALL
    portfolio: str = ALL
    material: tuple[str, ...] = ()
    era: tuple[str, ...] = ()
    purpose: tuple[str, ...] = ()
    first_year: int | None = None
    last_year: int | None = None
    chance: int | None = None

    @property
    def is_everything(self) -> bool:
        """Nothing is left out."""
        return self == View()

    @property
    def asks_for_looks(self) -> bool:
        """Only what a camera has seen is wanted."""
        return bool(self.purpose) or self.first_year is not None or self.last_year is not None

    def in_words(self) -> str:
        """Say what is asked for."""
        if self.is_everything:
            return "No filter is set."
        said = [word for word in (self.subdivision, self.portfolio and f"portfolio {self.portfolio}") if word]
        for codes, name in (
            (self.material, wording.material),
            (self.era, labels.era),
            (self.purpose, wording.word),
        ):
            if codes:
                said.append(" or ".join(name(code) for code in codes))
        if self.first_year is not None or self.last_year is not None:
            said.append(
                f"looks of {self.first_year or 'the first year'} to {self.last_year or 'the last year'}"
            )
        return f"Shown: {'; '.join(said)}."


@dataclass(frozen=True, slots=True)
class Options:
    """What can be chosen, as the records have it."""

    subdivision: tuple[str, ...] = ()
    portfolio: tuple[str, ...] = ()
    material: tuple[str, ...] = ()
    era: tuple[str, ...] = ()
    purpose: tuple[str, ...] = ()
    years: tuple[int, ...] = ()


class Filters(param.Parameterized):
    """The widgets of the filters that a page can obey, and the view that they ask for.

    Parameters
    ----------
    options : Options
        What can be chosen.
    names : sequence of str
        Which filters the page obeys: 'subdivision', 'portfolio', 'material', 'era', 'purpose', 'years'.
    """

    value = param.Parameter(default=View())

    def __init__(self, options: Options, names: Sequence[str]) -> None:
        super().__init__()
        self._widgets: dict[str, pn.widgets.Widget] = {}
        for name in names:
            if name == "years":
                self._add_years(options.years)
            elif name in {"subdivision", "portfolio"}:
                self._add_choice(name, getattr(options, name))
            else:
                self._add_boxes(name, getattr(options, name))
        self._read()
        for name, widget in self._widgets.items():
            parts.keep_in_address(widget, name)
            widget.param.watch(self._read, "value")

    def panel(self, words: str = "") -> pn.viewable.Viewable:
        """Lay the widgets out: the choices in a line, the lists below them, and a way back to everything.

        Parameters
        ----------
        words : str
            What the filters choose, where that is not the whole page.
        """
        lines = [w for w in self._widgets.values() if not isinstance(w, pn.widgets.CheckBoxGroup)]
        boxes = [w for w in self._widgets.values() if isinstance(w, pn.widgets.CheckBoxGroup)]
        clear = pn.widgets.Button(
            name="Clear the filters", button_type="default", stylesheets=[theme.WIDGET], align="end"
        )
        clear.on_click(lambda _event: self.clear())
        lists = [
            pn.Column(parts.label(TITLES[w.name]), w, sizing_mode="stretch_width", margin=(0, 0, 6, 0))
            for w in boxes
        ]
        said = parts.paragraph(self.value.in_words(), small=True)
        self.param.watch(
            lambda event: said.param.update(object=parts.paragraph(event.new.in_words(), small=True).object),
            "value",
        )
        more = parts.folded(
            ", ".join(TITLES[w.name].lower() for w in boxes).capitalize(),
            *lists,
            is_open=any(w.value for w in boxes),
        )
        return parts.card(
            *([parts.label(words)] if words else []),
            pn.FlexBox(*lines, clear, gap="12px", sizing_mode="stretch_width"),
            *([more] if lists else []),
            said,
        )

    def clear(self) -> None:
        """Ask for everything."""
        for widget in self._widgets.values():
            widget.value = [] if isinstance(widget, pn.widgets.CheckBoxGroup) else ALL

    def _add_choice(self, name: str, given: Sequence[str]) -> None:
        if given:
            self._widgets[name] = pn.widgets.Select(
                name=TITLES[name], options={EVERYTHING[name]: ALL, **{g: g for g in given}},
                value=parts.from_address(name, given) or ALL, width=230, stylesheets=[theme.WIDGET],
            )  # fmt: skip

    def _add_boxes(self, name: str, codes: Sequence[str]) -> None:
        if len(codes) > 1:
            asked = (parts.from_address(name) or "").split(",")
            self._widgets[name] = pn.widgets.CheckBoxGroup(
                name=name, options={NAMES[name](code): code for code in codes},
                value=[code for code in codes if code in asked], inline=True,
                stylesheets=[theme.WIDGET, theme.CHOICES], sizing_mode="stretch_width",
            )  # fmt: skip

    def _add_years(self, years: Sequence[int]) -> None:
        if len(years) < 2:
            return
        for name, title in (("from", "Looked at from"), ("to", "Looked at to")):
            given = [str(year) for year in years]
            self._widgets[name] = pn.widgets.Select(
                name=title, options={"any year": ALL, **{year: year for year in given}},
                value=parts.from_address(name, given) or ALL, width=130, stylesheets=[theme.WIDGET],
            )  # fmt: skip

    def _read(self, *_events: object) -> None:
        given = {name: widget.value for name, widget in self._widgets.items()}
        self.value = View(**_known(given))


def _known(given: Mapping[str, Any]) -> dict[str, Any]:
    """Turn the widgets' values into a view's."""
    names = {"from": "first_year", "to": "last_year"}
    typed: dict[str, Any] = {}
    for name, value in given.items():
        if name in names:
            typed[names[name]] = int(value) if value else None
        else:
            typed[name] = tuple(value) if isinstance(value, list) else value
    return {field.name: typed[field.name] for field in fields(View) if field.name in typed}


TITLES = {
    "subdivision": "Subdivision",
    "portfolio": "Portfolio",
    "material": "Pipe material",
    "era": "Time laid",
    "purpose": "Reason for the look",
}
EVERYTHING = {"subdivision": "everywhere", "portfolio": "all lots"}
NAMES = {"material": wording.material, "era": labels.era, "purpose": wording.word}
