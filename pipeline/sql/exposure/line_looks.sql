-- exposure.line_looks: grain inspection of a line of several segments that can be judged only as a whole; any_outcome 1 = at
-- least one of life_ids had failed, 0 = none of them had
CREATE OR REPLACE TABLE exposure.line_looks AS
WITH found AS (
    SELECT inspection_id, bool_or(is_repair_grade) AS is_bad, bool_or(is_unjudged) AS has_unjudged
    FROM exposure.finding_verdicts
    GROUP BY inspection_id
),
lines AS (
    SELECT
        k.inspection_id,
        any_value(k.lot_id) AS lot_id,
        max(k.look_year) AS look_year,
        any_value(k.purpose) AS purpose,
        any_value(k.is_selected) AS is_selected,
        bool_or(if(k.is_overall_only, k.overall_verdict IN ('repair', 'replace'), coalesce(f.is_bad, false))) AS is_bad,
        bool_and(
            k.is_overall_only
            OR (k.is_judged AND k.line_drained IS NOT FALSE AND f.has_unjudged IS NOT TRUE)
        ) AS can_be_good,
        list(k.life_id ORDER BY k.life_id) AS reached_ids,
        list(k.life_id ORDER BY k.life_id) FILTER (k.reach = 'full') AS full_ids
    FROM segment_looks AS k
    LEFT JOIN found AS f ON f.inspection_id = k.inspection_id
    WHERE k.reach <> 'none' AND k.n_alive > 1 AND (k.is_overall_only OR NOT k.is_placed)
    GROUP BY k.inspection_id
)
SELECT
    inspection_id,
    lot_id,
    look_year,
    purpose,
    is_selected,
    if(is_bad, 1, 0)::SMALLINT AS any_outcome,
    if(is_bad, reached_ids, full_ids) AS life_ids
FROM lines
WHERE (is_bad OR (can_be_good AND full_ids IS NOT NULL))
    -- one reached segment carries the verdict by itself
    AND inspection_id NOT IN (SELECT inspection_id FROM exposure.looks WHERE basis = 'overall')
ORDER BY lot_id, look_year, inspection_id
