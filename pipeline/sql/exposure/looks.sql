-- exposure.looks: grain (inspection, life); key (inspection_id, life_id); outcomes 1 repair-grade seen, 0 seen and none,
-- NULL not judged or not reached; look_year in decimal years, or the age where only ages are kept. …_whole: the outcome where
-- the look speaks of the whole segment, NULL elsewhere; curves and fits count these, scores of single lines take all that was seen
CREATE OR REPLACE TABLE exposure.looks AS
WITH seen AS (
    SELECT
        k.inspection_id,
        k.life_id,
        bool_or(p.is_repair_grade AND p.family = 'structural') AS structural_bad,
        bool_or(p.is_repair_grade AND p.family = 'roots_joints') AS roots_joints_bad,
        bool_or(p.is_repair_grade AND p.family = 'grade') AS grade_bad,
        bool_or(p.is_unjudged) AS has_unjudged,
        arg_max(p.verdict, p.weight) AS verdict,
        arg_max(p.rule_id, p.weight) AS rule_id,
        arg_max(p.number, p.weight) AS finding_number
    FROM segment_looks AS k
    LEFT JOIN finding_places AS p ON p.inspection_id = k.inspection_id AND p.life_id = k.life_id
    WHERE k.is_placed AND NOT k.is_overall_only
    GROUP BY k.inspection_id, k.life_id
),
by_family AS (
    SELECT
        k.*,
        s.verdict,
        s.rule_id,
        s.finding_number,
        CASE WHEN s.structural_bad THEN 1 WHEN k.reach = 'full' AND k.is_judged THEN 0 END AS structural,
        CASE WHEN s.roots_joints_bad THEN 1 WHEN k.reach = 'full' AND k.is_judged THEN 0 END AS roots_joints,
        CASE
            WHEN s.grade_bad THEN 1
            WHEN k.reach = 'full' AND k.is_judged AND k.line_drained IS NOT FALSE AND s.has_unjudged IS NOT TRUE THEN 0
        END AS grade
    FROM segment_looks AS k
    JOIN seen AS s ON s.inspection_id = k.inspection_id AND s.life_id = k.life_id
),
from_findings AS (
    SELECT
        inspection_id, lot_id, life_id, look_year, purpose, is_selected, structural, roots_joints, grade,
        CASE
            WHEN greatest(structural, roots_joints, grade) = 1 THEN 1
            WHEN structural = 0 AND roots_joints = 0 AND grade = 0 THEN 0
        END AS any_outcome,
        'findings' AS basis,
        coalesce(verdict, if(reach = 'full' AND is_judged, 'serviceable', NULL)) AS verdict,
        rule_id,
        if(rule_id IS NULL, NULL, $rule_version) AS rule_version,
        finding_number
    FROM by_family
),
overall AS (
    SELECT *, count(*) OVER (PARTITION BY inspection_id) AS n_reached
    FROM segment_looks
    WHERE is_overall_only AND is_placed AND reach <> 'none'
),
from_overall AS (
    SELECT
        inspection_id, lot_id, life_id, look_year, purpose, is_selected, NULL, NULL, NULL,
        CASE WHEN overall_verdict IN ('repair', 'replace') THEN 1 WHEN reach = 'full' THEN 0 END,
        'overall', overall_verdict, NULL, NULL, NULL
    FROM overall
    WHERE n_reached = 1
),
from_ends AS (
    -- works follow the failure, so their date is no fair look; the next unselected look finds the pipe gone
    SELECT
        t.inspection_id, s.lot_id, s.life_id, t.seen_year, t.purpose, t.is_selected, NULL, NULL, NULL, 1,
        'ended', NULL, NULL, NULL, NULL
    FROM life_spans AS s
    JOIN inspection_times AS t
        -- a look on the day of the works still saw the old pipe
        ON t.lot_id = s.lot_id AND t.seen_year >= s.known_ended_year AND t.attach_year >= s.alive_to
    -- a look that the works themselves brought about would count failed pipes twice over
    WHERE s.ended_reason IN ('failure', 'unknown') AND NOT t.is_selected AND t.purpose NOT IN ('post_repair', 'warranty')
    QUALIFY row_number() OVER (PARTITION BY s.life_id ORDER BY t.seen_year, t.inspection_id) = 1
),
every_look AS (
    FROM from_findings
    UNION ALL FROM from_overall
    UNION ALL FROM from_ends
),
weighed AS (
    SELECT
        k.*,
        -- a repaired pipe had failed by then, whatever a later look sees
        coalesce(k.look_year > l.repaired_year, false) AS is_after_repair,
        -- of a segment seen in part only what is bad can be told: counting it and leaving out the rest would make pipes look
        -- worse than they are. But a collapse stopped the camera itself: leaving that out would make them look better
        k.basis <> 'findings' OR coalesce(f.kind = 'collapse', false)
            OR (k.structural IS NOT NULL AND k.roots_joints IS NOT NULL) AS is_whole_but_grade,
        -- where nobody says whether the line was drained, a good grade can be told and a bad one cannot: neither counts, or
        -- pipes would look better than they are. Records that never say so speak of the other families only
        k.basis <> 'findings' OR coalesce(f.kind = 'collapse', false)
            OR (k.structural IS NOT NULL AND k.roots_joints IS NOT NULL
                AND (NOT d.is_drainage_kept OR (t.line_drained IS TRUE AND k.grade IS NOT NULL))) AS is_whole,
        d.is_drainage_kept
    FROM every_look AS k
    JOIN inspection_times AS t ON t.inspection_id = k.inspection_id
    CROSS JOIN (SELECT coalesce(bool_or(line_drained IS NOT NULL), false) AS is_drainage_kept FROM inspection_times) AS d
    JOIN exposure.lives AS l ON l.life_id = k.life_id
    LEFT JOIN exposure.finding_verdicts AS f ON f.inspection_id = k.inspection_id AND f.number = k.finding_number
)
SELECT
    inspection_id, lot_id, life_id, look_year, purpose, is_selected,
    structural::SMALLINT AS structural,
    roots_joints::SMALLINT AS roots_joints,
    grade::SMALLINT AS grade,
    any_outcome::SMALLINT AS any_outcome,
    basis, verdict, rule_id, rule_version, finding_number,
    is_after_repair,
    -- what a repaired pipe had failed of is not on record: later looks speak of any failure only
    if(is_whole_but_grade AND NOT is_after_repair, structural, NULL)::SMALLINT AS structural_whole,
    if(is_whole_but_grade AND NOT is_after_repair, roots_joints, NULL)::SMALLINT AS roots_joints_whole,
    if(is_whole AND is_drainage_kept AND NOT is_after_repair, grade, NULL)::SMALLINT AS grade_whole,
    CASE
        WHEN NOT is_whole THEN NULL
        WHEN is_after_repair THEN 1
        WHEN is_drainage_kept OR basis <> 'findings' THEN any_outcome
        ELSE greatest(structural, roots_joints)
    END::SMALLINT AS any_whole
FROM weighed
ORDER BY lot_id, life_id, look_year, inspection_id
