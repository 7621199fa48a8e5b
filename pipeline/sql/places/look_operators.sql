-- look_operators: one inspection that names who ran the camera; key inspection_id; from core.inspections
SELECT inspection_id, lot_id, operator
FROM core.inspections
WHERE operator IS NOT NULL AND coalesce(consent, 'aggregate') <> 'none'
ORDER BY inspection_id
