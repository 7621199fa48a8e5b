-- record_counts of one contract table: its rows on record and the older rows kept aside
SELECT
    '{table}' AS table_name,
    (SELECT count(*) FROM core.{table}) AS n_rows,
    (SELECT count(*) FROM core.{table}_superseded) AS n_superseded
