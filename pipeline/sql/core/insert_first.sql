-- core.<table>: first rows of this table
INSERT INTO core.{table} SELECT {columns}, $load_id, source_row FROM stage_{table}
