"""Bookkeeping of loads, rejects and rules."""
