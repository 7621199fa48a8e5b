-- core.<table>: current rows; grain and key as in columns.TABLES; load_id + source_row say where a row came from
CREATE TABLE IF NOT EXISTS core.{table} ({definitions}, load_id BIGINT NOT NULL, source_row BIGINT NOT NULL)
