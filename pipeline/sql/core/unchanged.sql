-- unchanged_<table>: rows of the file that stand in core in the same words; grain and key as the table (one row of the file may
-- bring several segments)
CREATE TEMP TABLE unchanged_{table} AS
SELECT {s_key}, c.rowid AS core_row
FROM stage_{table} AS s
JOIN core.{table} AS c ON {s_matches_c}
WHERE row({s_columns}) IS NOT DISTINCT FROM row({c_columns})
