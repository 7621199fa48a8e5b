-- dropped: rows of the file being loaded that do not go into core; outcome 'rejected' (one line per fault) or 'duplicate'
CREATE TEMP TABLE dropped (
    source_row BIGINT NOT NULL,
    outcome VARCHAR NOT NULL,
    table_name VARCHAR,
    column_name VARCHAR,
    value VARCHAR,
    reason_code VARCHAR,
    reason VARCHAR
)
