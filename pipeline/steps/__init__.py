"""What the commands do: read a table, call models, hand the result to published."""
