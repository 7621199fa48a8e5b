"""Files to warehouse to published tables: readers, contract, verdict rules, steps, command line."""
