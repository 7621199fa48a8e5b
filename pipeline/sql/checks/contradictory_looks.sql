-- records.findings_on_records: looks that call good what an earlier look at the same life called bad, with no repair between;
-- grain (life, later inspection)
INSERT INTO records.findings_on_records
WITH judged AS (
    SELECT life_id, lot_id, inspection_id, look_year, unnest([
        {'outcome': 'structural', 'bad': structural},
        {'outcome': 'roots and joints', 'bad': roots_joints},
        {'outcome': 'grade', 'bad': grade},
        {'outcome': 'the line', 'bad': if(basis = 'overall', any_outcome, NULL)}
    ], recursive := true)
    FROM exposure.looks
    WHERE basis <> 'ended'
),
first_bad AS (
    SELECT life_id, outcome, min(look_year) AS bad_year, arg_min(inspection_id, look_year) AS bad_inspection
    FROM judged
    WHERE bad = 1
    GROUP BY life_id, outcome
)
SELECT
    'contradictory_looks', 'inspections', j.lot_id, j.inspection_id,
    'Inspection ''' || j.inspection_id || ''' found nothing to repair (' || string_agg(j.outcome, ', ' ORDER BY j.outcome)
    || '), but the earlier inspection ''' || any_value(b.bad_inspection) || ''' did, and no repair lies between.',
    count(*)
FROM judged AS j
JOIN first_bad AS b ON b.life_id = j.life_id AND b.outcome = j.outcome
JOIN exposure.lives AS l ON l.life_id = j.life_id
WHERE
    j.bad = 0 AND j.look_year > b.bad_year
    AND NOT coalesce(l.repaired_year > b.bad_year AND l.repaired_year <= j.look_year, false)
GROUP BY j.lot_id, j.life_id, j.inspection_id
