-- dropped: jobs dated before the year their own pipe was laid
INSERT INTO dropped
SELECT
    i.source_row, 'rejected', 'inspections', 'inspection_date', any_value(i.inspection_date)::VARCHAR,
    'before_installation',
    'The pipe is said to be laid in ' || max(coalesce(s.install_year, s.install_year_min))
    || ', but was inspected on ' || any_value(i.inspection_date) || '. Correct the year or the date.'
FROM stage_inspections AS i
JOIN stage_segments AS s ON s.source_row = i.source_row
WHERE coalesce(s.install_year, s.install_year_min) > year(i.inspection_date)
GROUP BY i.source_row
