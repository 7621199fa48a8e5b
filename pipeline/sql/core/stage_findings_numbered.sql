-- stage_findings_numbered: findings without a number get one by footage; the same finding twice gets one number twice
CREATE TEMP TABLE stage_findings_numbered AS
SELECT * REPLACE (
    coalesce(
        number,
        coalesce(max(number) OVER (PARTITION BY inspection_id), 0)
        + dense_rank() OVER (PARTITION BY inspection_id, number IS NULL ORDER BY {content})
    )::INTEGER AS number
)
FROM stage_findings
