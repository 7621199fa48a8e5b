-- look_purposes: one inspection: what it was made for, and in which calendar year (NULL where only ages are kept); key inspection_id; from core.inspections
SELECT inspection_id, purpose, year(inspection_date)::BIGINT AS look_year
FROM core.inspections
WHERE coalesce(consent, 'aggregate') <> 'none'
ORDER BY inspection_id
