-- exposure.lives: grain one life of one segment; key life_id, and (lot_id, sequence, life_number); inches, feet, decimal years
-- (0 where only ages are kept); repaired_year = newest spot repair within the life, NULL where none
CREATE OR REPLACE TABLE exposure.lives AS
WITH repairs AS (
    SELECT s.life_id, max(decimal_year(w.works_date)) AS repaired_year
    FROM core.works AS w
    JOIN life_spans AS s
        ON s.lot_id = w.lot_id
        AND decimal_year(w.works_date) >= s.alive_from AND decimal_year(w.works_date) < s.alive_to
    WHERE
        w.kind = 'repair' AND s.install_source <> 'age_only'
        AND coalesce(w.from_ft, 0) <= coalesce(s.to_ft, 'infinity'::DOUBLE)
        AND coalesce(w.to_ft, w.from_ft, 'infinity'::DOUBLE) >= coalesce(s.from_ft, 0)
    GROUP BY s.life_id
)
SELECT
    s.life_id,
    s.lot_id,
    s.sequence,
    s.life_number,
    s.material,
    s.material_source,
    s.diameter_in,
    s.depth_ft,
    s.known_to_ft - s.from_ft AS length_ft,
    s.install_year_min,
    s.install_year_max,
    s.install_source,
    CASE
        WHEN s.install_source = 'age_only' THEN 'unknown'
        WHEN (s.install_year_min + s.install_year_max) / 2 < 1940 THEN 'before_1940'
        WHEN (s.install_year_min + s.install_year_max) / 2 < 1958 THEN '1940_1957'
        WHEN (s.install_year_min + s.install_year_max) / 2 < 1980 THEN '1958_1979'
        ELSE '1980_on'
    END AS era,
    coalesce(l.soil, 'unknown') AS soil,
    l.large_tree_near,
    if(isinf(s.alive_to), NULL, s.alive_to) AS ended_year,
    s.ended_by,
    s.ended_reason,
    l.block,
    l.subdivision,
    r.repaired_year
FROM life_spans AS s
JOIN core.lots AS l ON l.lot_id = s.lot_id
LEFT JOIN repairs AS r ON r.life_id = s.life_id
ORDER BY s.life_id
