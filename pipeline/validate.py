"""Rows as text to typed rows of the contract, and rejects with reasons; no row is lost on the way."""

from __future__ import annotations

from pipeline.validation.checked import CheckedRows, check

__all__ = ["CheckedRows", "check"]
