-- records.rejects: one fault of a row that was not taken; load_id + source_row find the row as given in landing
CREATE TABLE IF NOT EXISTS records.rejects (
    load_id BIGINT NOT NULL,
    file_name VARCHAR NOT NULL,
    source_row BIGINT NOT NULL,
    table_name VARCHAR,
    column_name VARCHAR,
    value VARCHAR,
    reason_code VARCHAR NOT NULL,
    reason VARCHAR NOT NULL
)
