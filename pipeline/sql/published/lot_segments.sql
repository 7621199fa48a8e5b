-- lot_segments without chances: one segment in use; key (lot_id, sequence); feet, inches, years; from exposure.lives
SELECT
    life_id, lot_id,
    row_number() OVER (PARTITION BY lot_id ORDER BY sequence, life_id) AS sequence,
    material, material_source,
    material = 'unknown' OR install_year_max - install_year_min > 5 AS is_imputed,
    diameter_in, depth_ft, length_ft, install_year_min, install_year_max, install_source, era
FROM exposure.lives
WHERE ended_year IS NULL
ORDER BY lot_id, sequence
