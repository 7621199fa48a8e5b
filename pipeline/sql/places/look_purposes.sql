-- look_purposes: one inspection that says what it was made for; key inspection_id; from core.inspections
SELECT inspection_id, purpose
FROM core.inspections
WHERE purpose IS NOT NULL AND coalesce(consent, 'aggregate') <> 'none'
ORDER BY inspection_id
