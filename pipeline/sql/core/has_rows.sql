-- whether a table has any row, as 0 or 1
SELECT count(*) FROM (FROM {table} LIMIT 1)
