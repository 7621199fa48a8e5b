"""Rows that cannot be taken: words to explain, cells to mend in place, and the step to loading."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Any

import panel as pn

from dashboards import parts, theme, wording
from dashboards.pages.column_choice import LONG_LABEL
from dashboards.parts import Shown

UNEXPLAINED, NOT_RECORDED = "–", ""
Answer = dict[str, Any]
Cells = list[dict[str, Any]]


class RowMending:
    """The account of a checked file, and what the user does about it.

    Parameters
    ----------
    checked : dict
        Answer of the desk to 'check'.
    column_map : dict
        The map it was checked with.
    cells : list of dict
        Cells that were mended before.
    on_check, on_load : callable
        Take the map and all mended cells.
    """

    def __init__(
        self,
        checked: Answer,
        column_map: Answer,
        cells: Cells,
        *,
        on_check: Callable[[Answer, Cells], Awaitable[None]],
        on_load: Callable[[Answer, Cells], Awaitable[None]],
    ) -> None:
        self._checked, self._map, self._before = checked, column_map, cells
        self._on_check, self._on_load = on_check, on_load
        self._words = [(word, self._word(word)) for word in checked["words"]]
        explained = {(word["column"], word["word"]) for word in checked["words"]}
        self._faults_left = [f for f in checked["faults"] if (f["column"], f["value"]) not in explained]
        self._cells = [(fault, self._cell(fault)) for fault in self._faults_left if fault["header"]]

    def panel(self) -> pn.viewable.Viewable:
        """Lay it out: the account, words, cells, and the two ways on."""
        n, bad = self._checked["n_read"], self._checked["n_rejected"]
        again = self._button("Check again", self._on_check, is_primary=False)
        load = self._button(
            f"Load the {wording.count(n - bad, 'row')} that can be taken", self._on_load, is_primary=True
        )
        load.disabled = n == bad
        numbers = ((n, "rows"), (n - bad, "can be taken"), (bad, "cannot be taken yet"))
        return pn.Column(
            parts.heading("What can be taken"),
            parts.figures([(wording.number(count), words) for count, words in numbers]),
            *(self._faults() if bad else [parts.paragraph("Every row can be taken.")]),
            pn.FlexBox(*([again] if bad else []), load, gap="8px", sizing_mode="stretch_width"),
            sizing_mode="stretch_width",
        )

    def _faults(self) -> list[pn.viewable.Viewable]:
        reasons = parts.table(
            parts.frame_of(self._checked["reasons"]),
            [
                Shown("because", lambda r: wording.word(r["code"])),
                Shown("rows", lambda r: wording.number(r["n"]), is_number=True),
                Shown("meaning", lambda r: r["meaning"]),
            ],
            caption="Why rows cannot be taken",
        )
        words = [
            parts.heading("Words to explain"),
            parts.paragraph("Say once what a word of this file means; it then holds for every row."),
            pn.FlexBox(*(widget for _, widget in self._words), gap="10px", sizing_mode="stretch_width"),
        ]
        cells = [
            parts.heading("Cells to mend"),
            parts.paragraph(
                f"{wording.count(sum(len(f['rows']) for f in self._faults_left), 'fault')} of {self._checked['n_faults']} in all; words "
                "to explain stand above. A text that stands in several rows is mended in all of them. The file itself is not changed."
            ),
            *(self._mendable(fault, widget) for fault, widget in self._cells),
            *self._in_the_file_only(),
        ]
        return [reasons, *(words if self._words else []), *(cells if self._faults_left else [])]

    def _mendable(self, fault: Answer, widget: pn.widgets.TextInput) -> pn.viewable.Viewable:
        return pn.FlexBox(
            widget, pn.Column(parts.paragraph(fault["reason"]), styles={"flex": "1 1 320px", "min-width": "0"}),
            gap="14px", align_items="flex-end", sizing_mode="stretch_width",
        )  # fmt: skip

    def _in_the_file_only(self) -> list[pn.viewable.Viewable]:
        rest = [fault for fault in self._faults_left if not fault["header"]]
        if not rest:
            return []
        return [parts.bullets(f"{_rows(fault['rows'])}: {fault['reason']}" for fault in rest)]

    def _word(self, word: Answer) -> pn.widgets.Select:
        codes = {wording.word(code): code for code in word["codes"]}
        options = {"– not explained –": UNEXPLAINED, "means: not recorded": NOT_RECORDED, **codes}
        return pn.widgets.Select(
            name=f"“{word['word']}” ({wording.word(word['column'])}, {wording.count(word['n'], 'row')})",
            options=options, value=UNEXPLAINED, width=280, stylesheets=[theme.WIDGET, LONG_LABEL],
        )  # fmt: skip

    def _cell(self, fault: Answer) -> pn.widgets.TextInput:
        return pn.widgets.TextInput(
            name=f"{_rows(fault['rows'])}, {fault['header']}",
            value=fault["value"],
            width=280,
            stylesheets=[theme.WIDGET, LONG_LABEL],
        )

    def _button(
        self, words: str, do: Callable[[Answer, Cells], Awaitable[None]], *, is_primary: bool
    ) -> pn.widgets.Button:
        made = pn.widgets.Button(
            name=words,
            button_type="primary" if is_primary else "default",
            stylesheets=[theme.WIDGET, theme.ACTION],
        )

        async def pressed(_event: Any) -> None:
            await do(self._explained(), self._mended())

        made.on_click(pressed)
        return made

    def _explained(self) -> Answer:
        values = {name: dict(words) for name, words in self._map.get("values", {}).items()}
        for word, widget in self._words:
            if widget.value != UNEXPLAINED:
                # A line of several materials is explained like one material.
                name = "material" if word["column"] == "material_run" else word["column"]
                values.setdefault(name, {})[word["word"]] = widget.value
        return {**self._map, **({"values": values} if values else {})}

    def _mended(self) -> Cells:
        new = {(cell["row"], cell["header"]): cell for cell in self._before}
        for fault, widget in self._cells:
            if widget.value != fault["value"]:
                header, text = fault["header"], widget.value
                new |= {(row, header): {"row": row, "header": header, "text": text} for row in fault["rows"]}
        return list(new.values())


def _rows(rows: list[int]) -> str:
    """Name rows as a spreadsheet numbers them, the first few of many."""
    if len(rows) == 1:
        return f"Row {rows[0]}"
    first = ", ".join(str(row) for row in rows[:3])
    return f"Rows {first}" + (f" and {len(rows) - 3} more" if len(rows) > 3 else "")
