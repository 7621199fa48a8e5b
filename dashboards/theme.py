"""Colours, type and chart dress: everything that makes the pages look alike.

The palettes were picked so that neighbours differ in lightness as well as in hue: they stay apart for
readers with any of the common colour-vision deficiencies, and in a grey print.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import altair as alt

from pipeline.vocabulary import Material

INK = "#1F2A30"
QUIET = "#55626A"  # 6.0:1 on PAPER, enough for small print (WCAG AA asks 4.5:1)
PAPER = "#FBF9F4"
CARD = "#FFFFFF"
RULE = "#D9D3C5"
DEEP = "#0B4A57"
CLAY = "#A8471D"

FONT = "system-ui, 'Segoe UI', 'DejaVu Sans', sans-serif"

#: Series colours, told apart by lightness too; the dashes repeat the message for those who see no colour.
SERIES = ("#A8471D", "#0B4A57", "#6C8EBF", "#A3821F", "#6B4A7D", "#3F7D4E")
DASHES = ([1, 0], [7, 3], [2, 2], [9, 3, 2, 3], [4, 4], [12, 3])
MOST_SERIES = len(SERIES)
#: The commonest materials keep their colour on every page; others take what is left.
OWN_COLOUR = {
    Material.VITRIFIED_CLAY: 0,
    Material.PVC: 1,
    Material.CAST_IRON: 2,
    Material.CONCRETE: 3,
    Material.ABS: 4,
    Material.CURED_IN_PLACE: 5,
}

#: Fewer than expected – as expected – more than expected.
FEWER, EVEN, MORE = "#1F5C99", "#F3F0EA", "#B23C12"
#: Where the records leave a curve open.
OPEN = "#EFE6C8"
TOO_FEW = "#C9CCCB"
NONE_SEEN = "#E9E9E6"
#: Pale to deep, for one-sided amounts such as coverage.
AMOUNT = ("#E8F1F0", "#0B4A57")

#: Widgets stand in shadow roots too; checkboxes in a row wrap on a narrow screen.
WIDGET = f":host, label, input, select, .bk-btn {{ font-family: {FONT}; font-size: 15px; color: {INK}; }}"
CHOICES = ".bk-input-group { display: flex; flex-wrap: wrap; gap: 4px 16px; } label { font-size: 0.95rem; }"

LOOK = (Path(__file__).with_name("look.css")).read_text(encoding="utf-8")


def places(materials: Sequence[str]) -> list[int]:
    """Return which of `SERIES` and `DASHES` each material takes: its own where free, no two alike up to six."""
    wanted: dict[str, int] = {str(m): place for m, place in OWN_COLOUR.items()}
    taken = {code: wanted[code] for code in materials if code in wanted}
    free = [i for i in range(MOST_SERIES) if i not in taken.values()] or list(range(MOST_SERIES))
    others = [code for code in materials if code not in taken]
    taken |= {code: free[i % len(free)] for i, code in enumerate(others)}
    return [taken[code] for code in materials]


AXIS = {
    "labelColor": INK,
    "titleColor": INK,
    "gridColor": "#E9E4D8",
    "domainColor": RULE,
    "tickColor": RULE,
    "labelFontSize": 12,
    "titleFontSize": 12,
    "titleFontWeight": 500,
    "labelFont": FONT,
    "titleFont": FONT,
}
LEGEND = {
    "labelColor": INK,
    "titleColor": INK,
    "labelFontSize": 12,
    "titleFontSize": 12,
    "labelLimit": 260,
    "titleLimit": 400,
    "orient": "top",
    "symbolStrokeWidth": 3,
}


def dress(chart: alt.TopLevelMixin) -> dict[str, Any]:
    """Return a chart as a specification with the shared type, grid and background; it fills the pane it stands in.

    It isn't checked against the schema here, which takes as long as all the rest; the tests do that.
    """
    spec: dict[str, Any] = chart.to_dict(validate=False)
    spec["config"] = {
        "background": CARD,
        "font": FONT,
        "axis": AXIS,
        "legend": LEGEND,
        "view": {"stroke": None},
    }
    spec["width"] = spec["height"] = "container"
    spec["autosize"] = {"type": "fit", "contains": "padding"}
    return spec
