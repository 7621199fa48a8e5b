-- finding_places: grain (finding, life); a stretch belongs to every segment it runs through, a spot to the one it lies in;
-- footage before the first segment is pipe inside the building
CREATE OR REPLACE TEMP TABLE finding_places AS
WITH placed AS (
    SELECT
        v.*,
        k.life_id,
        k.from_ft AS life_from_ft,
        k.to_ft AS life_to_ft,
        least(k.origin_ft + k.direction * v.at_ft, k.origin_ft + k.direction * coalesce(v.to_ft, v.at_ft)) AS low_ft,
        greatest(k.origin_ft + k.direction * v.at_ft, k.origin_ft + k.direction * coalesce(v.to_ft, v.at_ft)) AS high_ft
    FROM exposure.finding_verdicts AS v
    JOIN segment_looks AS k ON k.inspection_id = v.inspection_id
    WHERE k.is_placed AND v.verdict IS NOT NULL
)
SELECT
    inspection_id, life_id, number, family, verdict, rule_id, rule_version, is_repair_grade, is_unjudged, low_ft, high_ft,
    -- the worst verdict decides; among equals the first finding
    list_position(['serviceable', 'monitor', 'repair', 'replace'], verdict) * 100000 - number AS weight
FROM placed
WHERE if(high_ft > low_ft, high_ft > life_from_ft AND low_ft < life_to_ft, low_ft >= life_from_ft AND low_ft < life_to_ft)
