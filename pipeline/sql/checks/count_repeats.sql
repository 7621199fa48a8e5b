-- repeats: grain verdict pair; successive looks at one life: how often each verdict followed each
CREATE OR REPLACE TEMP TABLE repeats AS
WITH pairs AS (
    SELECT
        lag(verdict) OVER life AS earlier,
        verdict AS later
    FROM exposure.looks
    WHERE basis <> 'ended' AND verdict IS NOT NULL
    WINDOW life AS (PARTITION BY life_id ORDER BY look_year, inspection_id)
)
SELECT earlier, later, count(*) AS n
FROM pairs
WHERE earlier IS NOT NULL
GROUP BY earlier, later
ORDER BY earlier, later
