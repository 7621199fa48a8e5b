-- exposure.finding_verdicts: grain finding; key (inspection_id, number); the first rule of its kind that fits, the number that
-- decided (inches or % of area) and what follows; rule_version is the hash of the rules in force
CREATE OR REPLACE TABLE exposure.finding_verdicts AS
WITH measured AS (
    SELECT
        f.inspection_id,
        f.number,
        f.at_ft,
        f.to_ft,
        min(r.position) AS position
    FROM core.findings AS f
    JOIN core.inspections AS i ON i.inspection_id = f.inspection_id
    JOIN records.verdict_rules AS r ON r.kind = f.kind
    WHERE
        r.rule_version = $rule_version
        AND (
            r.measure IS NULL
            OR CASE r.measure
                WHEN 'loss_pct' THEN f.loss_pct
                WHEN 'offset_in' THEN f.offset_in
                ELSE f.water_depth_in
            END BETWEEN coalesce(r.measure_min, 0) AND coalesce(r.measure_max, 'infinity'::DOUBLE)
        )
        AND (r.length_min_ft IS NULL OR f.to_ft - f.at_ft >= r.length_min_ft)
        AND (NOT r.needs_drained OR i.line_drained)
        AND (r.near_manhole IS NULL OR r.near_manhole = coalesce(f.near_manhole, false))
    GROUP BY f.inspection_id, f.number, f.at_ft, f.to_ft
)
SELECT
    m.inspection_id,
    m.number,
    m.at_ft,
    m.to_ft,
    r.kind,
    r.family,
    r.verdict,
    r.rule_id,
    r.rule_version,
    r.measure,
    CASE r.measure
        WHEN 'loss_pct' THEN f.loss_pct
        WHEN 'offset_in' THEN f.offset_in
        WHEN 'water_depth_in' THEN f.water_depth_in
    END AS measured,
    coalesce(r.verdict IN ('repair', 'replace'), false) AS is_repair_grade,
    r.is_unjudged,
    r.is_hazard
FROM measured AS m
JOIN records.verdict_rules AS r ON r.position = m.position AND r.rule_version = $rule_version
JOIN core.findings AS f ON f.inspection_id = m.inspection_id AND f.number = m.number
