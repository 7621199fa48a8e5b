-- records.findings_on_records: works on a failed pipe, or a repair-grade look, before the recorded install year of every segment
-- of the lot, where neither later works nor an older house explain a newer pipe; grain works or inspection
INSERT INTO records.findings_on_records
WITH laid AS (
    SELECT s.lot_id, min(coalesce(s.install_year, s.install_year_min)) AS first_year
    FROM core.segments AS s
    GROUP BY s.lot_id
    HAVING count(coalesce(s.install_year, s.install_year_min)) = count(*)
),
failures AS (
    SELECT lot_id, NULL AS inspection_id, works_date AS day, 'works' AS table_name, 'A ' || kind AS what
    FROM core.works
    WHERE kind IN ('repair', 'lining', 'replacement') AND coalesce(reason, 'unknown') <> 'planned'
    UNION ALL
    SELECT i.lot_id, i.inspection_id, i.inspection_date, 'inspections', 'A repair-grade look'
    FROM core.inspections AS i
    WHERE
        i.inspection_date IS NOT NULL
        AND (
            i.overall_verdict IN ('repair', 'replace')
            OR i.inspection_id IN (SELECT v.inspection_id FROM exposure.finding_verdicts AS v WHERE v.is_repair_grade)
        )
)
SELECT
    'install_after_failure', f.table_name, f.lot_id, f.inspection_id,
    f.what || ' of ' || f.day || ' comes before the pipe was laid according to the records (' || laid.first_year || ').',
    count(*)
FROM failures AS f
JOIN laid ON laid.lot_id = f.lot_id
JOIN core.lots AS l ON l.lot_id = f.lot_id
WHERE
    year(f.day) < laid.first_year
    AND coalesce(l.year_built + $gap_years >= laid.first_year, true)
    AND NOT EXISTS (
        FROM core.works AS w
        WHERE w.lot_id = f.lot_id AND w.kind IN ('replacement', 'lining') AND w.works_date > f.day
    )
GROUP BY f.table_name, f.lot_id, f.inspection_id, f.what, f.day, laid.first_year
