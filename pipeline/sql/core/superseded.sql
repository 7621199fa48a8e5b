-- core.<table>_superseded: rows that a later load replaced; columns of core.<table> and the load that replaced them
CREATE TABLE IF NOT EXISTS core.{table}_superseded (
    {definitions}, load_id BIGINT NOT NULL, source_row BIGINT NOT NULL, superseded_by_load BIGINT NOT NULL
)
