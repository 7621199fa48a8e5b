-- dropped: inspections before any pipe of their lot was laid, unless an older pipe may have been there to look at
INSERT INTO dropped
WITH laid AS (
    SELECT
        lot_id,
        -- one segment without a year is enough for an older pipe to have been there
        if(count(coalesce(install_year, install_year_min)) = count(*),
           min(coalesce(install_year, install_year_min)), NULL) AS first_year
    FROM core.segments
    GROUP BY lot_id
)
SELECT
    i.source_row, 'rejected', 'inspections', 'inspection_date', i.inspection_date::VARCHAR,
    'before_installation',
    'The inspection of ' || i.inspection_date || ' comes before the line of lot ''' || i.lot_id
    || ''' was laid (' || laid.first_year || '). Correct the date, the install year, or add the works that replaced the older line.'
FROM stage_inspections AS i
JOIN laid ON laid.lot_id = i.lot_id
LEFT JOIN core.lots AS l ON l.lot_id = i.lot_id
WHERE
    year(i.inspection_date) < laid.first_year
    -- the house stood well before the pipe was laid: the camera saw the pipe before this one
    AND (l.year_built IS NULL OR l.year_built > year(i.inspection_date))
    AND NOT EXISTS (
        FROM core.works AS w
        WHERE w.lot_id = i.lot_id AND w.kind IN ('replacement', 'lining') AND w.works_date > i.inspection_date
    )
