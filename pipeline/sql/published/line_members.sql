-- line_members: one member life of a line that was judged as a whole; key (inspection_id, life_id); from exposure.line_looks
SELECT inspection_id, lot_id, look_year, is_selected, any_outcome, unnest(life_ids) AS life_id
FROM exposure.line_looks
WHERE any_outcome IS NOT NULL
ORDER BY inspection_id, life_id
