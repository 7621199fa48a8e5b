"""The published tables, by subject."""
