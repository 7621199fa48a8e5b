"""One module per input format; rows come out as given, with their source row."""
