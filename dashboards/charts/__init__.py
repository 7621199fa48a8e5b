"""Frame in, Altair chart out."""
