-- core.<table>_superseded: keep the outdated rows readable
INSERT INTO core.{table}_superseded
SELECT c.*, $load_id FROM core.{table} AS c SEMI JOIN outdated_{table} AS o ON o.core_row = c.rowid
