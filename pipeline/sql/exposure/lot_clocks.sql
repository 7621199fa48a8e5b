-- lot_clocks: grain lot; whether its looks carry only ages of the pipe [years], and what dates and ages together imply
CREATE OR REPLACE TEMP TABLE lot_clocks AS
WITH seen AS (
    SELECT
        lot_id,
        count(inspection_date) AS n_dated,
        count(*) FILTER (inspection_date IS NULL AND age_years IS NOT NULL) AS n_age_only,
        max(end_ft) AS longest_seen_ft,
        -- a whole number of years old on that day: laid in the year that ended then
        arg_min(decimal_year(inspection_date) - age_years - 1, inspection_date)
            FILTER (age_years IS NOT NULL) AS implied_install_min,
        arg_min(decimal_year(inspection_date) - age_years, inspection_date)
            FILTER (age_years IS NOT NULL) AS implied_install_max
    FROM core.inspections
    WHERE coalesce(consent, 'aggregate') <> 'none'
    GROUP BY lot_id
),
laid AS (
    SELECT lot_id, count(*) AS n_recorded
    FROM core.segments
    WHERE coalesce(install_year, install_year_min, install_year_max) IS NOT NULL
    GROUP BY lot_id
)
SELECT
    l.lot_id,
    l.year_built,
    coalesce(seen.n_age_only > 0 AND seen.n_dated = 0 AND laid.n_recorded IS NULL, false) AS is_age_only,
    seen.longest_seen_ft,
    seen.implied_install_min,
    seen.implied_install_max
FROM core.lots AS l
LEFT JOIN seen ON seen.lot_id = l.lot_id
LEFT JOIN laid ON laid.lot_id = l.lot_id
