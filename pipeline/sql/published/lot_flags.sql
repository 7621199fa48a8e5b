-- lot_flags: one inspected lot; key lot_id; whether every client allowed to tell the result with the address, and whether a foreign line was seen (told whatever was allowed: it may be gas); from core.inspections, core.findings
SELECT
    i.lot_id,
    bool_and(coalesce(i.consent, 'aggregate') IN ('identified', 'none')) AS tells_own_results,
    coalesce(bool_or(f.kind = 'foreign_line'), false) AS has_foreign_line
FROM core.inspections AS i
LEFT JOIN core.findings AS f ON f.inspection_id = i.inspection_id
GROUP BY i.lot_id
ORDER BY i.lot_id
