"""Columns and limits that several tables share."""

from __future__ import annotations

from pipeline.column_types import Column

FIRST_YEAR = 1850.0
LAST_YEAR = 2100.0
LONGEST_LATERAL_FT = 2000.0

LOT_ID = Column(
    "lot_id",
    "text",
    "identifies the lot; parcel numbers keep their leading zeros",
    required=True,
    synonyms=("lot", "parcel", "parcel id", "apn", "property id", "pipe id"),
)
INSPECTION_ID = Column(
    "inspection_id",
    "text",
    "identifies the inspection",
    required=True,
    synonyms=("inspection", "job", "job no", "job number", "job #", "report no", "invoice"),
)


def footage(name: str, meaning: str, *, synonyms: tuple[str, ...], required: bool = False) -> Column:
    """Return a column of feet along a lateral."""
    return Column(
        name, "number", meaning, required=required, low=0, high=LONGEST_LATERAL_FT, synonyms=synonyms
    )
