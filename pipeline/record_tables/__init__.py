"""The tables of the data contract, by subject."""
