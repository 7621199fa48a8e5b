-- landing.headers: one column of one loaded file as given; key (load_id, position); column c<position> of landing.load_<load_id>
CREATE TABLE IF NOT EXISTS landing.headers (
    load_id BIGINT NOT NULL,
    position INTEGER NOT NULL,
    header VARCHAR NOT NULL
)
