-- core.<table>: rows that are new or that take the place of outdated ones
INSERT INTO core.{table}
SELECT {columns}, $load_id, s.source_row
FROM stage_{table} AS s
ANTI JOIN unchanged_{table} AS u ON {s_matches_u}
