"""Colours, type and chart dress: everything that makes the pages look alike.

The palettes were picked so that neighbours differ in lightness as well as in hue: they stay apart for
readers with any of the common colour-vision deficiencies, and in a grey print.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import altair as alt
import polars as pl
from panel.models.vega import VEGA_LITE_VERSION

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

#: Widgets stand in shadow roots too; their nameless spin buttons only repeat the arrow keys; checkboxes in a row wrap on a narrow screen.
WIDGET = f".bk-spin-btn {{ display: none !important; }} :host, label, input, select, .bk-btn {{ font-family: {FONT}; font-size: 15px; color: {INK}; }}"
CHOICES = ".bk-input-group { display: flex; flex-wrap: wrap; gap: 4px 16px; } label { font-size: 0.95rem; }"

LOOK = (Path(__file__).with_name("look.css")).read_text(encoding="utf-8")
PRINT = (Path(__file__).with_name("print.css")).read_text(encoding="utf-8")

#: The drawing library sets its links below the chart; here they stand in the line of the CSV button.
CHART = f"""
.chart-wrapper.fit-x {{ width: 100%; }}
.chart-wrapper.fit-y {{ height: 100%; }}
.vega-actions {{ position: absolute; right: 4px; bottom: -23px; z-index: 2; }}
.vega-actions a {{ color: {DEEP}; font: 13px {FONT}; margin-right: 12px; text-underline-offset: 2px; }}
.vega-actions a:focus-visible {{ outline: 3px solid #8A6D1F; outline-offset: 2px; }}
@media print {{ .vega-actions {{ display: none; }} }}
"""
ACTION = f"""
.bk-btn.bk-btn-primary, .bk-btn.bk-btn-primary:hover {{ background: {DEEP} !important; color: #FFFFFF !important; border-color: {DEEP} !important; }}
.bk-btn.bk-btn-default {{ background: #FFFFFF !important; border: 1px solid #8E8A7E !important; }}
.bk-btn[disabled] {{ background: #E6E3DB !important; color: #4A4A46 !important; border-color: #B9B2A1 !important; opacity: 1 !important; }}
.bk-btn:focus-visible {{ outline: 3px solid #8A6D1F; outline-offset: 2px; }}
"""
FOLD = f"""
:host(.card) {{ box-shadow: none; border: 1px solid {RULE}; border-radius: 4px; background: {CARD}; }}
:host(.card) {{ padding: 0 12px 6px; }}
.card-header {{ background: {PAPER}; margin: 0 -12px; width: calc(100% + 24px); color: {INK}; font: 15px {FONT}; border: none; }}
.card-header:focus-visible {{ outline: 3px solid #8A6D1F; outline-offset: -3px; }}
"""
SAVE = f"""
:host {{ width: auto; }}
.bk-btn, .bk-btn:hover, a.bk-btn {{ font: 13px {FONT}; padding: 0 2px; background: none !important; border: none; box-shadow: none; color: {DEEP};
  text-decoration: underline; text-underline-offset: 2px; min-width: 0; line-height: 1.3; height: auto; }}
.bk-btn svg {{ display: none; }}
.bk-btn:focus-visible {{ outline: 3px solid #8A6D1F; outline-offset: 2px; }}
@media print {{ :host {{ display: none; }} }}
"""


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
    # Altair names the version it knows; the browser, and vl-convert, have another and would say so for each chart.
    spec["$schema"] = f"https://vega.github.io/schema/vega-lite/v{VEGA_LITE_VERSION}.json"
    spec["config"] = {
        "background": CARD,
        "font": FONT,
        "axis": AXIS,
        "legend": LEGEND,
        "view": {"stroke": None},
    }
    spec["width"] = spec["height"] = "container"
    spec["autosize"] = {"type": "fit", "contains": "padding"}
    # Rows under a name are sent as a model each, and under another name when they change; these are sent in place.
    own = spec.get("data", {}).get("name")
    if own in spec.get("datasets", {}):
        spec["data"] = {"values": spec["datasets"].pop(own)}
    return spec


def refilled(spec: Mapping[str, Any], rows: pl.DataFrame) -> dict[str, Any]:
    """Return a dressed chart of one table with other rows: a hundredth of the time of drawing it anew.

    Parameters
    ----------
    spec : mapping
        What `dress` returned for a chart whose layers all draw the same rows, and whose labels take the same room
        whatever these are; it isn't changed.
    rows : DataFrame
        The rows to draw, with the same columns.
    """
    # By its name the browser tells that only the rows are others, and leaves the rest of the drawing (in_place.js).
    return {**spec, "data": {"name": "rows", "values": rows.to_dicts()}}


def sign(spec: Mapping[str, Any], *, says: str, source: str, name: str) -> dict[str, Any]:
    """Return a specification that carries its source, its sentence for screen readers, and its own downloads.

    Parameters
    ----------
    spec : mapping
        What `dress` returned, or a specification made by hand.
    says : str
        The sentence below the chart.
    source : str
        The run whose numbers are drawn; it stays in the picture when that is saved.
    name : str
        Stem of the files that are saved.
    """
    given = spec.get("usermeta", {}).get("embedOptions", {})
    options = {
        # Nothing of the menu that would leave this machine.
        "actions": {
            "export": {"svg": True, "png": True},
            "source": False,
            "compiled": False,
            "editor": False,
        },
        "defaultStyle": False,
        "downloadFileName": name,
        "scaleFactor": {"png": 2, "svg": 1},
        "i18n": {"PNG_ACTION": "PNG", "SVG_ACTION": "SVG"},
        **given,
    }
    signature = {
        "text": source,
        "orient": "bottom",
        "anchor": "start",
        "fontSize": 10,
        "fontWeight": "normal",
        "color": QUIET,
        "font": FONT,
        "offset": 4,
    }
    # Panel takes the rows out of the data sets that it is given.
    rows = {"datasets": dict(spec["datasets"])} if "datasets" in spec else {}
    return {"title": signature, "description": says, **spec, **rows, "usermeta": {"embedOptions": options}}
