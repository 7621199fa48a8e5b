-- life_spans: grain life; every life with the years in which it was in the ground: alive_from <= t < alive_to [decimal years],
-- known_ended_year = when it had certainly been replaced. A first pipe more than $gap_years younger than its house, without
-- works that explain it, had a forerunner that no camera saw: life 1, material unknown, laid with the house
CREATE OR REPLACE TEMP TABLE life_spans AS
WITH forerunners AS (
    SELECT *
    FROM life_installs
    WHERE place = 1 AND install_source IN ('recorded', 'house_and_material') AND install_year_min > year_built + $gap_years
),
every_life AS (
    SELECT
        i.lot_id, i.sequence, i.place + if(f.lot_id IS NULL, 0, 1) AS life_number,
        coalesce(i.material, 'unknown') AS material,
        CASE
            WHEN i.described_material IS NOT NULL THEN 'recorded'
            WHEN i.material IS NOT NULL THEN 'works'
            ELSE 'not_recorded'
        END AS material_source,
        i.diameter_in, i.depth_ft, i.install_year_min, i.install_year_max, i.install_source,
        coalesce(
            (i.begin_min + i.begin_max) / 2,
            if(f.lot_id IS NULL, '-infinity'::DOUBLE, (i.install_year_min + i.install_year_max) / 2)
        ) AS alive_from,
        coalesce((i.end_min + i.end_max) / 2, 'infinity'::DOUBLE) AS alive_to,
        i.end_max AS known_ended_year,
        i.ended_by, i.ended_reason
    FROM life_installs AS i
    LEFT JOIN forerunners AS f ON f.lot_id = i.lot_id AND f.sequence = i.sequence
    UNION ALL
    SELECT
        lot_id, sequence, 1, 'unknown', 'not_recorded', NULL, depth_ft, year_built, year_built + 1, 'inferred_first_life',
        '-infinity'::DOUBLE, (install_year_min + install_year_max) / 2, install_year_max, 'replacement', 'unknown'
    FROM forerunners
)
SELECT row_number() OVER (ORDER BY l.lot_id, l.sequence, l.life_number) AS life_id, l.*, e.from_ft, e.to_ft, e.known_to_ft
FROM every_life AS l
JOIN segment_extents AS e ON e.lot_id = l.lot_id AND e.sequence = l.sequence
