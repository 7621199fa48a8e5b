"""One page per question."""
