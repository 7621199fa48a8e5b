-- life_stems: grain (lot, sequence, epoch, version) = one life, before its install years are worked out; begin_min/begin_max
-- bound the day on which it took the place of the one before [decimal year], NULL for the first
CREATE OR REPLACE TEMP TABLE life_stems AS
WITH epochs AS (
    SELECT
        lot_id, sequence, 0 AS epoch, NULL::DOUBLE AS works_year, NULL AS kind, NULL AS reason,
        NULL AS material_before, NULL AS material_after
    FROM segment_extents
    UNION ALL
    SELECT lot_id, sequence, works_number, works_year, kind, reason, material_before, material_after
    FROM ending_works
),
joined AS (
    SELECT
        e.*,
        coalesce(v.version, 0) AS version,
        v.material AS described_material,
        v.diameter_in,
        v.depth_ft,
        v.install_min AS recorded_min,
        v.install_max AS recorded_max,
        v.first_described,
        v.last_described
    FROM epochs AS e
    LEFT JOIN described_versions AS v
        ON v.lot_id = e.lot_id AND v.sequence = e.sequence AND v.epoch = e.epoch
),
begun AS (
    SELECT
        *,
        if(version > 0, lag(last_described) OVER line, works_year) AS begin_min,
        if(version > 0, first_described, works_year) AS begin_max,
        CASE WHEN version > 0 THEN 'material_change' WHEN epoch > 0 THEN 'works' END AS begun_by
    FROM joined
    WINDOW line AS (PARTITION BY lot_id, sequence ORDER BY epoch, version)
)
SELECT
    lot_id,
    sequence,
    epoch,
    version,
    row_number() OVER line AS place,
    coalesce(
        described_material,
        if(version = 0, material_after, NULL),
        if(epoch = 0, lead(material_before) OVER line, NULL)
    ) AS material,
    described_material,
    diameter_in,
    depth_ft,
    recorded_min,
    recorded_max,
    first_described,
    begin_min,
    begin_max,
    begun_by,
    lead(begin_min) OVER line AS end_min,
    lead(begin_max) OVER line AS end_max,
    if(lead(begun_by) OVER line = 'works', lead(kind) OVER line, if(lead(begun_by) OVER line IS NULL, NULL, 'replacement'))
        AS ended_by,
    if(lead(begun_by) OVER line = 'works', lead(reason) OVER line, if(lead(begun_by) OVER line IS NULL, NULL, 'unknown'))
        AS ended_reason
FROM begun
WINDOW line AS (PARTITION BY lot_id, sequence ORDER BY epoch, version)
