-- repeated_rows: rows of the file whose key stands more than once; n_versions = different contents under that key
CREATE TEMP TABLE repeated_rows AS
WITH same_key AS (
    SELECT s.source_row, {s_key}, {content} AS content
    FROM stage_{table} AS s
    JOIN repeated_keys AS r ON {s_matches_r}
)
SELECT
    source_row,
    concat_ws(', ', {key}) AS key_text,
    row_number() OVER (PARTITION BY {key} ORDER BY source_row) AS place,
    count(DISTINCT content) OVER (PARTITION BY {key}) AS n_versions,
    list(source_row) OVER (
        PARTITION BY {key} ORDER BY source_row ROWS BETWEEN UNBOUNDED PRECEDING AND UNBOUNDED FOLLOWING
    ) AS rows_of_key
FROM same_key
