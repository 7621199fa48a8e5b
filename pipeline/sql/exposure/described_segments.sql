-- described_segments: grain (lot, observed_by, sequence); the inventory ('') where a lot has one, else what each inspection
-- described; a lot without either gets one segment of which nothing is known. from_ft/to_ft are filled from the neighbours:
-- NULL = not known, infinite = to the end of the line [ft]
CREATE OR REPLACE TEMP TABLE described_segments AS
WITH in_inventory AS (
    SELECT DISTINCT lot_id FROM core.segments WHERE observed_by = ''
),
used AS (
    SELECT s.*, NULL::DOUBLE AS seen_year, NULL::DOUBLE AS attach_year, NULL::DOUBLE AS age_years
    FROM core.segments AS s
    WHERE s.observed_by = ''
    UNION ALL
    SELECT s.*, t.seen_year, t.attach_year, t.age_years
    FROM core.segments AS s
    JOIN inspection_times AS t ON t.inspection_id = s.observed_by AND t.lot_id = s.lot_id
    ANTI JOIN in_inventory AS v ON v.lot_id = s.lot_id
),
neighbours AS (
    SELECT
        *,
        row_number() OVER line = 1 AS is_first,
        row_number() OVER line = count(*) OVER whole_line AS is_last,
        count(*) OVER whole_line AS n_segments,
        lag(to_ft) OVER line AS to_ft_before,
        lead(from_ft) OVER line AS from_ft_after
    FROM used
    WINDOW
        line AS (PARTITION BY lot_id, observed_by ORDER BY sequence),
        whole_line AS (PARTITION BY lot_id, observed_by)
)
SELECT
    n.lot_id,
    n.observed_by,
    n.sequence,
    n.seen_year,
    n.attach_year,
    n.n_segments,
    coalesce(n.from_ft, n.to_ft_before, if(n.is_first, 0, NULL)) AS from_ft,
    coalesce(n.to_ft, n.from_ft_after, if(n.is_last, 'infinity'::DOUBLE, NULL)) AS to_ft,
    nullif(n.material, 'unknown') AS material,
    n.diameter_in,
    n.depth_ft,
    coalesce(n.install_year, n.install_year_min, n.seen_year - n.age_years - 1) AS install_min,
    coalesce(n.install_year + 1, n.install_year_max + 1, n.seen_year - n.age_years) AS install_max
FROM neighbours AS n
UNION ALL
SELECT
    c.lot_id, '', 1, NULL, NULL, 1, 0, 'infinity'::DOUBLE, NULL, NULL, NULL,
    c.implied_install_min, c.implied_install_max
FROM lot_clocks AS c
ANTI JOIN used AS u ON u.lot_id = c.lot_id
