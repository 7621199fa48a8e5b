-- life_installs: grain as life_stems; install_year_min/max [years; 0 where only ages are kept] and where they come from
CREATE OR REPLACE TEMP TABLE life_installs AS
WITH bounded AS (
    SELECT
        s.*,
        c.is_age_only,
        c.year_built,
        -- a house younger than a pipe that was seen says nothing about that pipe
        greatest(if(c.year_built > s.first_described, NULL, c.year_built), m.first_year) AS earliest,
        least(m.last_year + 1, s.end_max, $as_of) AS latest,
        -- an install year older than the works that laid the pipe was copied from the pipe before
        coalesce(s.recorded_min, s.recorded_max) IS NOT NULL
            AND NOT coalesce(s.begun_by = 'works' AND coalesce(s.recorded_max, s.recorded_min + 1) < s.begin_min - 1, false)
            AS is_recorded
    FROM life_stems AS s
    JOIN lot_clocks AS c ON c.lot_id = s.lot_id
    JOIN material_years AS m ON m.material = coalesce(s.material, 'unknown')
),
first_looks AS (
    SELECT b.lot_id, b.sequence, min(t.seen_year) AS first_look
    FROM bounded AS b
    JOIN inspection_times AS t ON t.lot_id = b.lot_id AND t.seen_year >= b.earliest
    WHERE b.place = 1 AND NOT b.is_recorded AND NOT b.is_age_only
    GROUP BY b.lot_id, b.sequence
),
house AS (
    SELECT
        b.*,
        least(b.earliest, b.first_described) AS house_min,
        least(b.latest, coalesce(b.first_described, f.first_look)) AS house_max
    FROM bounded AS b
    LEFT JOIN first_looks AS f ON f.lot_id = b.lot_id AND f.sequence = b.sequence AND b.place = 1
)
SELECT
    * EXCLUDE (house_min, house_max, earliest, latest, is_recorded, is_age_only, recorded_min, recorded_max),
    CASE
        WHEN is_age_only THEN 0
        WHEN is_recorded THEN coalesce(recorded_min, least(house_min, recorded_max))
        WHEN begun_by IS NOT NULL THEN begin_min
        ELSE house_min
    END AS install_year_min,
    CASE
        WHEN is_age_only THEN 0
        WHEN is_recorded THEN coalesce(recorded_max, greatest(house_max, recorded_min + 1))
        WHEN begun_by IS NOT NULL THEN begin_max
        ELSE greatest(house_max, house_min)
    END AS install_year_max,
    CASE
        WHEN is_age_only THEN 'age_only'
        WHEN is_recorded THEN 'recorded'
        ELSE coalesce(begun_by, 'house_and_material')
    END AS install_source
FROM house
