-- records.findings_on_records: one-row-per-inspection sheets that give one house several years; grain lot
INSERT INTO records.findings_on_records
WITH given AS (
    SELECT lot_id, year_built, load_id FROM core.lots
    UNION ALL
    SELECT lot_id, year_built, load_id FROM core.lots_superseded
)
SELECT
    'conflicting_house_years', 'lots', g.lot_id, NULL,
    'Jobs at this lot give the house as built in ' || string_agg(DISTINCT g.year_built::VARCHAR, ', ' ORDER BY g.year_built::VARCHAR)
    || '; the newest job counts.',
    count(DISTINCT g.year_built)
FROM given AS g
JOIN records.loads AS l ON l.load_id = g.load_id AND l.layout = 'jobs'
WHERE g.year_built IS NOT NULL
GROUP BY g.lot_id
HAVING count(DISTINCT g.year_built) > 1
