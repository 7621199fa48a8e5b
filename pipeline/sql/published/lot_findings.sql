-- lot_findings: one finding of an inspection; key (lot_id, inspection_id, number); feet, inches, % of area; from core.findings, core.inspections
SELECT
    i.lot_id, f.inspection_id, f.number, f.kind, f.at_ft, f.to_ft, f.water_depth_in, f.loss_pct, f.offset_in, f.note
FROM core.findings AS f
JOIN core.inspections AS i USING (inspection_id)
-- A foreign line is told whatever was allowed: it may be gas.
WHERE coalesce(i.consent, 'aggregate') <> 'none' OR f.kind = 'foreign_line'
ORDER BY i.lot_id, f.inspection_id, f.number
