-- described_versions: grain (lot, sequence, epoch, version); runs of descriptions of one material between two works; a new
-- version begins where an observation names another material than the last one named
CREATE OR REPLACE TEMP TABLE described_versions AS
WITH before AS (
    SELECT
        *,
        last_value(material IGNORE NULLS) OVER (
            PARTITION BY lot_id, sequence, epoch ORDER BY seen_year NULLS LAST, observed_by
            ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING
        ) AS material_before
    FROM placed_segments
),
numbered AS (
    SELECT
        *,
        count(*) FILTER (material <> material_before) OVER (
            PARTITION BY lot_id, sequence, epoch ORDER BY seen_year NULLS LAST, observed_by
            ROWS BETWEEN UNBOUNDED PRECEDING AND CURRENT ROW
        ) AS version
    FROM before
)
SELECT
    lot_id,
    sequence,
    epoch,
    version,
    max(material) AS material,
    arg_max(diameter_in, coalesce(seen_year, 0)) AS diameter_in,
    arg_max(depth_ft, coalesce(seen_year, 0)) AS depth_ft,
    arg_max(install_min, coalesce(seen_year, 0)) AS install_min,
    arg_max(install_max, coalesce(seen_year, 0)) AS install_max,
    min(seen_year) AS first_described,
    max(seen_year) AS last_described
FROM numbered
GROUP BY lot_id, sequence, epoch, version
