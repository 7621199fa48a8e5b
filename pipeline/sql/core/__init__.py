"""Landing to core."""
