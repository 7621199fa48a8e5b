-- inspection_times: grain inspection; seen_year [decimal year; the age where only ages are kept; NULL where an age stands
-- on a lot with dates], attach_year = seen_year less half a day unless after works, so that works of the same day come later
CREATE OR REPLACE TEMP TABLE inspection_times AS
WITH counted AS (
    SELECT inspection_id, count(*) AS n_findings FROM core.findings GROUP BY inspection_id
),
timed AS (
    SELECT
        i.inspection_id,
        i.lot_id,
        if(c.is_age_only, i.age_years, decimal_year(i.inspection_date)) AS seen_year,
        i.age_years,
        coalesce(i.purpose, 'unknown') AS purpose,
        i.access,
        i.start_ft,
        i.end_ft,
        i.line_drained,
        i.reached_tie_in,
        i.overall_verdict,
        coalesce(n.n_findings, 0) AS n_findings
    FROM core.inspections AS i
    JOIN lot_clocks AS c ON c.lot_id = i.lot_id
    LEFT JOIN counted AS n ON n.inspection_id = i.inspection_id
    -- Whoever allowed nothing is kept on record, and used in nothing.
    WHERE coalesce(i.consent, 'aggregate') <> 'none'
)
SELECT
    *,
    list_contains($selected_purposes::VARCHAR[], purpose) AS is_selected,
    seen_year - if(purpose = 'post_repair', 0, 0.5 / 365.25) AS attach_year
FROM timed
