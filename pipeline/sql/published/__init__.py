"""One SELECT per file: what the working warehouse contributes to a published table of that name."""
