-- outdated_<table>: rows of core in a group that the file brings anew, and that the file does not repeat word for word
CREATE TEMP TABLE outdated_{table} AS
WITH brought AS (SELECT DISTINCT {group} FROM {group_source})
SELECT c.rowid AS core_row
FROM core.{table} AS c
SEMI JOIN brought AS b ON {c_matches_b}
ANTI JOIN unchanged_{table} AS u ON u.core_row = c.rowid
