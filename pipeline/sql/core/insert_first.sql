-- core.<table>: the first rows of this table
INSERT INTO core.{table} SELECT {columns}, $load_id, s.source_row FROM stage_{table} AS s
