-- stage_lots_merged: lots of a one-row-per-inspection sheet; grain lot; per column the newest job that says anything,
-- then what is on record
CREATE TEMP TABLE stage_lots_merged AS
WITH ranked AS (
    SELECT l.*, row_number() OVER (ORDER BY i.inspection_date NULLS FIRST, l.source_row) AS newest
    FROM stage_lots AS l
    LEFT JOIN stage_inspections AS i ON i.source_row = l.source_row
),
merged AS (
    SELECT lot_id, min(source_row) AS source_row, {newest_values}
    FROM ranked
    GROUP BY lot_id
)
SELECT m.source_row, m.lot_id, {merged_or_recorded}
FROM merged AS m
LEFT JOIN core.lots AS c ON c.lot_id = m.lot_id
