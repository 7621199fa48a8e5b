"""Reports to hand on: one document, written as self-contained HTML or as PDF."""
