-- exposure.bad_stations: grain (inspection, life, family); where along the line, in feet from the building, the nearest and the
-- farthest repair-grade finding of that family lies; from finding_places, so only where findings can be laid on single segments
CREATE OR REPLACE TABLE exposure.bad_stations AS
SELECT inspection_id, life_id, family, min(low_ft) AS low_ft, max(high_ft) AS high_ft
FROM finding_places
WHERE is_repair_grade
GROUP BY inspection_id, life_id, family
ORDER BY inspection_id, life_id, family
