-- dropped: findings beyond the footage that their inspection reached [ft]; $slip_ft is the usual slip of a cable counter
INSERT INTO dropped
SELECT
    f.source_row, 'rejected', 'findings',
    if(f.at_ft > i.end_ft + $slip_ft, 'at_ft', 'to_ft'),
    round(greatest(f.at_ft, coalesce(f.to_ft, f.at_ft)), 2)::VARCHAR,
    'impossible_footage',
    'The finding lies at ' || round(greatest(f.at_ft, coalesce(f.to_ft, f.at_ft)), 1)
    || ' ft, but inspection ''' || f.inspection_id || ''' reached only ' || round(i.end_ft, 1)
    || ' ft. Correct the footage, or the footage reached.'
FROM stage_findings AS f
JOIN core.inspections AS i ON i.inspection_id = f.inspection_id
WHERE greatest(f.at_ft, coalesce(f.to_ft, f.at_ft)) > i.end_ft + $slip_ft
