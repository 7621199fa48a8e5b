-- segment_looks: grain (inspection, life in the ground at the time); how far the camera got along it: reach 'full', 'part',
-- 'none' or 'unknown'. station of a footage = origin_ft + direction * footage [ft]. is_placed: findings of this inspection
-- can be laid on single segments
CREATE OR REPLACE TEMP TABLE segment_looks AS
WITH described AS (
    SELECT DISTINCT observed_by FROM described_segments WHERE observed_by <> ''
),
alive AS (
    SELECT
        t.* EXCLUDE (attach_year, age_years),
        s.life_id,
        coalesce(t.seen_year, (s.install_year_min + s.install_year_max) / 2 + t.age_years) AS look_year,
        own.observed_by IS NOT NULL AS is_own,
        if(own.observed_by IS NOT NULL, own.from_ft, s.from_ft) AS from_ft,
        if(own.observed_by IS NOT NULL, own.to_ft, s.to_ft) AS to_ft
    FROM inspection_times AS t
    JOIN life_spans AS s ON s.lot_id = t.lot_id
    LEFT JOIN described AS any_own ON any_own.observed_by = t.inspection_id
    LEFT JOIN described_segments AS own ON own.observed_by = t.inspection_id AND own.sequence = s.sequence
    WHERE
        -- where an inspection described the line itself, only what it described was there
        (any_own.observed_by IS NULL OR own.observed_by IS NOT NULL)
        AND if(
            t.seen_year IS NULL,
            isinf(s.alive_to) AND s.install_source = 'recorded' AND t.age_years IS NOT NULL,
            t.attach_year >= s.alive_from AND t.attach_year < s.alive_to AND t.seen_year >= s.install_year_min
        )
),
directed AS (
    SELECT
        *,
        count(*) OVER line AS n_alive,
        min(from_ft) OVER line AS line_from_ft,
        max(to_ft) OVER line AS line_to_ft,
        -- from a manhole the camera looks up the line, towards the building
        if(access = 'manhole' AND NOT is_own AND NOT isinf(max(to_ft) OVER line), -1, 1) AS direction
    FROM alive
    WINDOW line AS (PARTITION BY inspection_id)
),
spanned AS (
    SELECT
        *,
        CASE
            WHEN is_own THEN 0
            WHEN direction = -1 THEN coalesce(start_ft, line_to_ft)
            ELSE coalesce(start_ft, 0)
        END AS origin_ft,
        n_alive = 1 OR bool_and(from_ft IS NOT NULL AND to_ft IS NOT NULL) OVER (PARTITION BY inspection_id) AS is_placed,
        -- without a footage the whole line counts as seen, unless it is said that the tie-in was not reached
        end_ft IS NULL OR (reached_tie_in IS TRUE AND direction = 1) AS is_whole
    FROM directed
),
seen AS (
    SELECT
        *,
        if(direction = 1, origin_ft, if(is_whole, '-infinity'::DOUBLE, origin_ft - end_ft)) AS seen_from_ft,
        CASE
            WHEN direction = -1 THEN greatest(origin_ft, line_to_ft)
            WHEN is_whole OR (isinf(to_ft) AND reached_tie_in IS NULL) THEN 'infinity'::DOUBLE
            ELSE origin_ft + end_ft
        END AS seen_to_ft
    FROM spanned
)
SELECT
    inspection_id,
    lot_id,
    life_id,
    look_year,
    purpose,
    is_selected,
    line_drained,
    overall_verdict,
    n_findings,
    n_alive,
    is_placed,
    direction,
    origin_ft,
    if(from_ft = line_from_ft AND from_ft = 0, '-infinity'::DOUBLE, from_ft) AS from_ft,
    if(to_ft = line_to_ft, 'infinity'::DOUBLE, to_ft) AS to_ft,
    CASE
        WHEN end_ft IS NULL AND reached_tie_in IS FALSE THEN 'unknown'
        WHEN NOT is_placed THEN if(reached_tie_in IS FALSE, 'part', 'full')
        WHEN
            seen_from_ft <= from_ft + $building_slip_ft
            AND (seen_to_ft >= to_ft - $counter_slip_ft OR (n_alive = 1 AND to_ft IS NULL)) THEN 'full'
        WHEN least(seen_to_ft, to_ft) > greatest(seen_from_ft, from_ft) THEN 'part'
        ELSE 'none'
    END AS reach,
    -- an inspection that kept neither findings nor a verdict had nothing to report, if it says how far it got
    n_findings > 0 OR (overall_verdict IS NULL AND (reached_tie_in IS TRUE OR end_ft IS NOT NULL)) AS is_judged,
    n_findings = 0 AND overall_verdict IS NOT NULL AS is_overall_only
FROM seen
