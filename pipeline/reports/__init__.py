"""Reports that are handed on: Excel and PDF, made from a budget's tables."""
