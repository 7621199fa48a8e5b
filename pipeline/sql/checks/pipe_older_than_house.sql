-- records.findings_on_records: segments laid two years or more before their house was built; grain lot
INSERT INTO records.findings_on_records
SELECT
    'pipe_older_than_house', 'segments', s.lot_id, NULL,
    'The pipe is said to be laid in ' || min(coalesce(s.install_year, s.install_year_max))
    || ', the house built in ' || any_value(l.year_built) || '.',
    count(*)
FROM core.segments AS s
JOIN core.lots AS l ON l.lot_id = s.lot_id
WHERE coalesce(s.install_year, s.install_year_max) < l.year_built - 1
GROUP BY s.lot_id
