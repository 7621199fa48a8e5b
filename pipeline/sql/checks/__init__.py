"""Statements that find bad or contradictory records."""
