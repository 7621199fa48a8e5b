"""Core to exposure: looks, lives, censoring intervals."""
