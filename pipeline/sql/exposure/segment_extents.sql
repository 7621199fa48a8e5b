-- segment_extents: grain (lot, sequence); from_ft/to_ft of the newest description [ft]; an open end is put at the
-- longest footage ever reached, where there is one
CREATE OR REPLACE TEMP TABLE segment_extents AS
WITH newest AS (
    SELECT d.*
    FROM described_segments AS d
    QUALIFY row_number() OVER (
        PARTITION BY d.lot_id, d.sequence ORDER BY d.seen_year DESC NULLS FIRST, d.observed_by DESC
    ) = 1
)
SELECT
    n.lot_id,
    n.sequence,
    n.n_segments,
    n.from_ft,
    n.to_ft,
    n.depth_ft,
    if(isinf(n.to_ft), if(c.longest_seen_ft > n.from_ft, c.longest_seen_ft, NULL), n.to_ft) AS known_to_ft,
    c.is_age_only
FROM newest AS n
JOIN lot_clocks AS c ON c.lot_id = n.lot_id
