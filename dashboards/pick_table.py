"""A table in which rows can be picked, by mouse or keyboard."""

from __future__ import annotations

from typing import Any

import param
from markupsafe import Markup
from panel.custom import JSComponent

from dashboards import theme


class PickTable(JSComponent):
    """Markup whose buttons `button(...)` tell Python which of them was pressed.

    Attributes
    ----------
    markup : str
        What stands there; everything from the records in it must have been escaped.
    picked : str
        What the button that was pressed last stands for; the same one pressed again is told too.
    """

    markup = param.String()
    picked = param.String()
    presses = param.Integer()

    _esm = """
    export function render({ model }) {
      const area = document.createElement("div");
      area.style.fontFamily = model.font;
      const draw = () => {
        const focused = area.getRootNode().activeElement?.dataset?.pick;
        area.innerHTML = model.markup;
        if (focused) area.querySelector(`[data-pick="${CSS.escape(focused)}"]`)?.focus();
      };
      area.addEventListener("click", (event) => {
        const button = event.target.closest("button[data-pick]");
        if (!button) return;
        model.picked = button.dataset.pick;
        model.presses += 1;
      });
      model.on("markup", draw);
      draw();
      return area;
    }
    """
    font = param.String(default=theme.FONT)
    _stylesheets = [theme.LOOK]  # noqa: RUF012 - Panel's own way to give one

    def __init__(self, markup: str = "", **params: Any) -> None:
        super().__init__(markup=markup, sizing_mode="stretch_width", margin=(0, 0, 8, 0), **params)


def button(value: str, words: str, about: str, *, is_on: bool) -> Markup:
    """Return a row's button.

    Parameters
    ----------
    value : str
        What `PickTable.picked` becomes.
    words : str
        What stands on it.
    about : str
        What it does to which row, for those who do not see the row.
    is_on : bool
        That row is the one picked.
    """
    return Markup(
        '<button type="button" class="u-pick" data-pick="{}" aria-pressed="{}" aria-label="{}">{}</button>'
    ).format(value, "true" if is_on else "false", about, words)
