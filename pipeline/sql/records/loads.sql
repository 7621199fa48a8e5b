-- records.loads: one load of one file; key load_id; the n_ columns count rows of the file, n_superseded rows of core
CREATE TABLE IF NOT EXISTS records.loads (
    load_id BIGINT NOT NULL,
    file_name VARCHAR NOT NULL,
    sha256 VARCHAR NOT NULL,
    sheet VARCHAR,
    map_name VARCHAR,
    map_toml VARCHAR NOT NULL,
    layout VARCHAR NOT NULL,
    loaded_at TIMESTAMP NOT NULL,
    n_read BIGINT NOT NULL,
    n_accepted BIGINT NOT NULL,
    n_unchanged BIGINT NOT NULL,
    n_duplicate BIGINT NOT NULL,
    n_superseded BIGINT NOT NULL,
    n_rejected BIGINT NOT NULL
)
