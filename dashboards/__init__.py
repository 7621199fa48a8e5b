"""Panel pages over published tables; decide how to show, compute no statistics."""
