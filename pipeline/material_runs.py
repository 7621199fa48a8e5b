"""Material text as people write it, e.g. `4" PVC > 4" VCP > 6" VCP (orig.)`, to segments.

A text is read, rejected or asked about; never guessed. The spellings are data
(`rules/material_spellings.toml`); a column map may explain more.
"""

from __future__ import annotations

from pipeline.vocabulary import Material

MATERIAL_CODES = Material.codes()


def codes_of_run(run: str) -> tuple[str, ...]:
    """Split the right-hand side of a map's material entry, e.g. "vitrified_clay > cast_iron"."""
    return tuple(part.strip() for part in run.split(">"))
