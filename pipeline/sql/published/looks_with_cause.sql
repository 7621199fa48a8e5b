-- looks_with_cause: exposure.looks and whether a collapse decided; key (inspection_id, life_id); from exposure.looks, exposure.finding_verdicts
SELECT k.*, coalesce(f.kind = 'collapse', false) AS is_collapse
FROM exposure.looks AS k
LEFT JOIN exposure.finding_verdicts AS f ON f.inspection_id = k.inspection_id AND f.number = k.finding_number
ORDER BY k.inspection_id, k.life_id
