-- records.findings_on_records: one contradiction in accepted records; n = records concerned; rebuilt with the exposure tables
CREATE TABLE IF NOT EXISTS records.findings_on_records (
    kind VARCHAR NOT NULL,
    table_name VARCHAR NOT NULL,
    lot_id VARCHAR,
    inspection_id VARCHAR,
    detail VARCHAR NOT NULL,
    n BIGINT NOT NULL
)
