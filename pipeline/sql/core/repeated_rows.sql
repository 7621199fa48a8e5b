-- repeated_rows: rows of the file whose key stands more than once; n_versions = different contents under that key, first_rows = the
-- first rows that carry it, at most 6
CREATE TEMP TABLE repeated_rows AS
WITH same_key AS (
    SELECT s.source_row, {s_key}, {content} AS content
    FROM stage_{table} AS s
    JOIN repeated_keys AS r ON {s_matches_r}
),
summed AS (
    SELECT {key}, count(DISTINCT content) AS n_versions, count(*) AS n_rows, min(source_row, 6) AS first_rows
    FROM same_key
    GROUP BY {key}
)
SELECT s.source_row, concat_ws(', ', {s_key}) AS key_text, r.n_versions, r.n_rows, r.first_rows
FROM same_key AS s
JOIN summed AS r ON {s_matches_r}
