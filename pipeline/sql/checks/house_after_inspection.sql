-- records.findings_on_records: inspections of a house that was built later; grain inspection
INSERT INTO records.findings_on_records
SELECT
    'house_after_inspection', 'inspections', i.lot_id, i.inspection_id,
    'The line was inspected on ' || i.inspection_date || ', the house built in ' || l.year_built || '.',
    1
FROM core.inspections AS i
JOIN core.lots AS l ON l.lot_id = i.lot_id
WHERE year(i.inspection_date) < l.year_built
