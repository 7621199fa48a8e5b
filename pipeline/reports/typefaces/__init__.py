"""Font files of the reports, with their licence."""
