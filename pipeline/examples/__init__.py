"""Column maps to start from."""
