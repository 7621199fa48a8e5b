-- ending_works: grain (lot, sequence, works); replacements and linings that end a life: they name no extent, or cover at
-- least half of the segment, or the line is one segment of unknown length; works_number counts from 1 in order of date
CREATE OR REPLACE TEMP TABLE ending_works AS
WITH covering AS (
    SELECT
        e.lot_id,
        e.sequence,
        decimal_year(w.works_date) AS works_year,
        w.kind,
        coalesce(w.reason, 'unknown') AS reason,
        nullif(w.material_before, 'unknown') AS material_before,
        coalesce(nullif(w.material_after, 'unknown'), if(w.kind = 'lining', 'cured_in_place', NULL)) AS material_after
    FROM core.works AS w
    JOIN segment_extents AS e ON e.lot_id = w.lot_id
    WHERE
        w.kind IN ('replacement', 'lining')
        AND NOT e.is_age_only
        AND (
            (w.from_ft IS NULL AND w.to_ft IS NULL)
            OR (e.n_segments = 1 AND e.known_to_ft IS NULL)
            OR least(coalesce(w.to_ft, 'infinity'::DOUBLE), e.known_to_ft) - greatest(coalesce(w.from_ft, 0), e.from_ft)
                >= 0.5 * (e.known_to_ft - e.from_ft)
        )
),
one_a_day AS (
    SELECT * FROM covering
    QUALIFY row_number() OVER (
        PARTITION BY lot_id, sequence, works_year ORDER BY reason = 'failure' DESC, kind DESC, material_after
    ) = 1
)
SELECT *, row_number() OVER (PARTITION BY lot_id, sequence ORDER BY works_year) AS works_number
FROM one_a_day
