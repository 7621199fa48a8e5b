"""What hot spots need beside the exposure tables."""
