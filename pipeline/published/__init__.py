"""The published tables: their contract, writing a generation, reading the current one."""
