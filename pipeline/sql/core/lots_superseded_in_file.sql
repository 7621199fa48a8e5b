-- core.lots_superseded: other house years that jobs of the same file give for a lot; key (lot_id, year_built) within a load
INSERT INTO core.lots_superseded
SELECT {l_columns}, $load_id, l.source_row, $load_id
FROM stage_lots AS l
JOIN stage_lots_merged AS m ON m.lot_id = l.lot_id AND m.year_built <> l.year_built
QUALIFY row_number() OVER (PARTITION BY l.lot_id, l.year_built ORDER BY l.source_row) = 1
