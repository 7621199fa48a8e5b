-- records.findings_on_records: segments laid, or seen in the ground, before their material was sold here; grain (lot, material)
INSERT INTO records.findings_on_records
SELECT
    'material_before_its_time', 'segments', s.lot_id, any_value(nullif(s.observed_by, '')),
    'Recorded as ' || replace(s.material, '_', ' ') || ' in ' || min(least(coalesce(s.install_year, s.install_year_max), year(i.inspection_date)))::INTEGER
    || ', but it was first laid here about ' || any_value(m.first_year)::INTEGER || '.',
    count(*)
FROM core.segments AS s
JOIN material_years AS m ON m.material = s.material
LEFT JOIN core.inspections AS i ON i.inspection_id = s.observed_by
WHERE least(coalesce(s.install_year, s.install_year_max), year(i.inspection_date)) < m.first_year
GROUP BY s.lot_id, s.material
