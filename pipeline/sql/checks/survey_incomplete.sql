-- records.findings_on_records: inspections that left pipe unseen; grain inspection
INSERT INTO records.findings_on_records
WITH short AS (
    SELECT DISTINCT inspection_id FROM segment_looks WHERE reach <> 'full'
)
SELECT
    'survey_incomplete', 'inspections', i.lot_id, i.inspection_id,
    'The camera did not see the whole line'
    || coalesce(' and stopped at ' || round(i.end_ft, 1) || ' ft', '')
    || coalesce(' (' || i.abandoned_reason || ')', '') || '; the rest is not judged.',
    1
FROM core.inspections AS i
LEFT JOIN short ON short.inspection_id = i.inspection_id
WHERE i.reached_tie_in IS FALSE OR short.inspection_id IS NOT NULL
