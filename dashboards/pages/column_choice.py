"""Which of a file's headers is taken for what, proposed and then changed by the user."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Any

import panel as pn

from dashboards import parts, theme, wording

NOT_LOADED = ""
#: Headers and words of somebody's file may be long: they go on in the next line, not over their neighbours.
LONG_LABEL = ".bk-input-group { white-space: normal; } label { overflow-wrap: anywhere; }"
Answer = dict[str, Any]


class ColumnChoice:
    """Choices for one proposed map.

    Parameters
    ----------
    proposal : dict
        Answer of the desk to 'propose'.
    on_other : callable
        Proposes again, for another layout (or None) and a sheet (or None); tells whether that could be done.
    on_check : callable
        Takes the chosen map.
    """

    def __init__(
        self,
        proposal: Answer,
        *,
        on_other: Callable[[str | None, str | None], Awaitable[bool]],
        on_check: Callable[[Answer], Awaitable[None]],
    ) -> None:
        self._proposal = proposal
        self._on_check = on_check
        self._columns = {column["name"]: column for column in proposal["columns"]}
        self._layout = pn.widgets.Select(
            name="What one row is", value=proposal["layout"], max_width=420, sizing_mode="stretch_width", stylesheets=[theme.WIDGET],
            options={f"{item['name']}: {item['text']}": item["name"] for item in proposal["layouts"]},
        )  # fmt: skip

        sheet, others = proposal["sheet"], proposal["other_sheets"]
        self._sheet = pn.widgets.Select(
            name="Sheet", value=sheet, options=[sheet, *others], width=270, stylesheets=[theme.WIDGET], visible=bool(others)
        )  # fmt: skip

        async def other_layout(event: Any) -> None:
            await on_other(event.new, sheet)

        async def other_sheet(event: Any) -> None:
            if event.new != sheet and not await on_other(None, event.new):
                self._sheet.value = sheet  # what stands below is still this one

        self._layout.param.watch(other_layout, "value")
        self._sheet.param.watch(other_sheet, "value")
        self._places = {item["header"]: self._place(item) for item in proposal["headers"]}
        self._forms = {header: self._form(header) for header in self._places}

    def panel(self) -> pn.viewable.Viewable:
        """Lay the choices out, one for each header."""
        check = pn.widgets.Button(
            name="Check the rows", button_type="primary", stylesheets=[theme.WIDGET, theme.ACTION]
        )

        async def checked(_event: Any) -> None:
            await self._on_check(self.chosen())

        check.on_click(checked)
        missing = self._proposal["missing"]
        cells = [
            pn.Column(
                self._places[item["header"]], self._forms[item["header"]], parts.paragraph("e.g. " + ", ".join(item["sample"]), small=True),
                width=270, margin=(0, 10, 4, 0),
            )
            for item in self._proposal["headers"]
        ]  # fmt: skip
        return pn.Column(
            parts.heading(f"{self._proposal['file']}: {wording.count(self._proposal['n_rows'], 'row')}"),
            *([parts.note(f"No column was found for: {'; '.join(missing)}. Choose it below, or rows cannot be taken.")] if missing else []),
            self._sheet,
            self._layout,
            parts.paragraph("Each of your columns, and what it is taken for. Change what is wrong; leave out what should not be loaded."),
            pn.FlexBox(*cells, sizing_mode="stretch_width"),
            *([parts.bullets(self._proposal["notes"])] if self._proposal["notes"] else []),
            check,
            sizing_mode="stretch_width",
        )  # fmt: skip

    def chosen(self) -> Answer:
        """Return the map as its file would have it; what was proposed and not shown here stays."""
        proposed = self._proposal["map"]
        columns: dict[str, Any] = {}
        for header, place in self._places.items():
            name = place.value
            if name == NOT_LOADED:
                continue
            if name in columns:  # several headers for one column are joined with a space
                columns[name]["from"] = [*_listed(columns[name]["from"]), header]
                continue
            was = proposed["columns"].get(name, {})
            kept = {key: was[key] for key in ("true", "false", "blank") if key in was}
            columns[name] = {"from": header, **self._form_of(header, name), **kept}
        values = {name: words for name, words in proposed.get("values", {}).items() if name in columns}
        top = {
            key: proposed[key]
            for key in ("layout", "sheet", "header_row", "delimiter", "decimal")
            if key in proposed
        }
        return {**top, "columns": columns, **({"values": values} if values else {})}

    def _place(self, item: Answer) -> pn.widgets.Select:
        options = {"– not loaded –": NOT_LOADED}
        options |= {
            f"{name.replace('_', ' ')}{' (needed)' if column['is_required'] else ''}: {column['text']}"[
                :70
            ]: name
            for name, column in self._columns.items()
        }
        made = pn.widgets.Select(
            name=item["header"],
            options=options,
            value=item["column"],
            width=260,
            margin=0,
            stylesheets=[theme.WIDGET, LONG_LABEL],
        )
        made.param.watch(lambda _event: self._offer_forms(item["header"]), "value")
        return made

    def _form(self, header: str) -> pn.widgets.Select:
        made = pn.widgets.Select(name="read as", options={}, width=260, margin=0, stylesheets=[theme.WIDGET])
        self._forms = {**getattr(self, "_forms", {}), header: made}
        self._offer_forms(header)
        return made

    def _offer_forms(self, header: str) -> None:
        """Offer units or orders of day and month, where the chosen column has any."""
        name, made = self._places[header].value, self._forms[header]
        column = self._columns.get(name)
        forms = column["forms"] if column and column["kind"] in {"number", "date"} else {}
        said = self._proposal["map"]["columns"].get(name, {})
        given = _listed(said.get("unit") or said.get("format") or "")[0]
        options = {"as it says": "", **{words: code for code, words in forms.items()}}
        made.param.update(
            options=options,
            value=given if given in options.values() else "",
            # Its place is kept while there is nothing to choose: what stands below must not move from under a click.
            styles={"visibility": "visible" if forms else "hidden"},
        )

    def _form_of(self, header: str, name: str) -> Answer:
        form = self._forms[header].value
        if not form:
            return {}
        return {"format" if self._columns[name]["kind"] == "date" else "unit": form}


def _listed(given: Any) -> list[Any]:
    return given if isinstance(given, list) else [given]
