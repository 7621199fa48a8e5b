"""The command line, one module per command; each parses arguments and calls one step."""
