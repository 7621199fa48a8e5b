"""Column maps: what a stranger's headers and words mean. The way in to `column_rules` and `proposal`."""

from __future__ import annotations

from pipeline.column_rules import ColumnMap, ColumnRule
from pipeline.proposal import Proposal, propose

__all__ = ["ColumnMap", "ColumnRule", "Proposal", "propose"]
