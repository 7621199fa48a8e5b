-- lives_in_use: one life not yet ended; key life_id; bounds of its install year as the records alone give them [decimal years];
-- is_without_year = neither the pipe's year is on record nor a house year that could be its own; from exposure.lives, core.lots
SELECT
    l.life_id,
    l.lot_id,
    l.material,
    l.install_year_min,
    l.install_year_max,
    l.install_source = 'house_and_material' AND (c.year_built IS NULL OR c.year_built >= l.install_year_max) AS is_without_year
FROM exposure.lives AS l
JOIN core.lots AS c ON c.lot_id = l.lot_id
WHERE l.ended_year IS NULL
ORDER BY l.life_id
