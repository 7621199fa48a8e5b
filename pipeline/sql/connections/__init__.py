"""What the records say about connections."""
