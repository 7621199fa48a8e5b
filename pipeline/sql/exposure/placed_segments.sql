-- placed_segments: grain as described_segments; epoch = number of ending works that a description already shows.
-- An observation shows the works before it. An inventory shows those no later than its install year or, without one, those
-- whose new material it names
CREATE OR REPLACE TEMP TABLE placed_segments AS
SELECT
    d.lot_id,
    d.observed_by,
    d.sequence,
    any_value(d.seen_year) AS seen_year,
    any_value(d.material) AS material,
    any_value(d.diameter_in) AS diameter_in,
    any_value(d.depth_ft) AS depth_ft,
    any_value(d.install_min) AS install_min,
    any_value(d.install_max) AS install_max,
    coalesce(max(w.works_number) FILTER (
        CASE
            WHEN d.observed_by <> '' THEN w.works_year <= coalesce(d.attach_year, w.works_year)
            -- the year in a list may be that of the paper, a year after the works
            WHEN coalesce(d.install_max, d.install_min) IS NOT NULL
                THEN w.works_year < coalesce(d.install_max, d.install_min + 1) + if(
                    -- or was rounded to five years, when the material says that these works laid the pipe
                    d.material = w.material_after AND w.material_after IS DISTINCT FROM w.material_before, 5, 1
                )
            ELSE d.material = w.material_after AND w.material_after IS DISTINCT FROM w.material_before
        END
    ), 0) AS epoch
FROM described_segments AS d
LEFT JOIN ending_works AS w ON w.lot_id = d.lot_id AND w.sequence = d.sequence
GROUP BY d.lot_id, d.observed_by, d.sequence
