"""Words for what is not a result: filters, the source of a chart, files that are saved or loaded."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dashboards import wording

ERAS = {
    "before_1940": "before 1940",
    "1940_1957": "1940 to 1957",
    "1958_1979": "1958 to 1979",
    "1980_on": "1980 or later",
    "unknown": "era not known",
}


def era(code: str) -> str:
    """Name of an era for people."""
    return ERAS.get(code, wording.word(code))


def source_line(run: Mapping[str, Any]) -> str:
    """Where a chart's numbers come from, short enough to stand in the picture."""
    invented = ", an invented town" if run["is_synthetic"] else ""
    return f"{run['town_name']}{invented} · run {run['run_id']} · built {wording.day(run['built_at'])}"
