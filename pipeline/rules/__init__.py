"""Verdict rules and material years, as data a user may edit."""
