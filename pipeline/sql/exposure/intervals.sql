-- exposure.intervals: grain (life, outcome); key both; from unselected looks that speak of the whole segment. good_year = newest
-- such look that saw it good before bad_year, the first that saw it bad [decimal years, or ages; NULL where none]. left_years,
-- right_years: the same as ages (left, right], from the middle of the install range, which is install_width_years wide; right_years
-- infinite = never seen failed. The only place where looks become intervals
CREATE OR REPLACE TABLE exposure.intervals AS
WITH judged AS (
    SELECT life_id, look_year, basis, is_after_repair, unnest([
        {'outcome': 'structural', 'bad': structural_whole},
        {'outcome': 'roots_joints', 'bad': roots_joints_whole},
        {'outcome': 'grade', 'bad': grade_whole},
        {'outcome': 'any', 'bad': any_whole}
    ], recursive := true)
    FROM exposure.looks
    WHERE NOT is_selected
),
first_bad AS (
    SELECT
        life_id,
        outcome,
        min(look_year) AS bad_year,
        arg_min(basis, look_year) AS basis,
        arg_min(is_after_repair, look_year) AS is_after_repair
    FROM judged
    WHERE bad = 1
    GROUP BY life_id, outcome
),
summed AS (
    SELECT
        j.life_id,
        j.outcome,
        count(*) AS n_looks,
        any_value(b.bad_year) AS bad_year,
        any_value(b.basis) AS basis,
        any_value(b.is_after_repair) AS is_after_repair,
        max(j.look_year) FILTER (j.bad = 0 AND (b.bad_year IS NULL OR j.look_year < b.bad_year)) AS good_year,
        bool_or(j.bad = 0 AND j.look_year >= b.bad_year) AS is_contradictory
    FROM judged AS j
    LEFT JOIN first_bad AS b ON b.life_id = j.life_id AND b.outcome = j.outcome
    WHERE j.bad IS NOT NULL
    GROUP BY j.life_id, j.outcome
),
aged AS (
    SELECT
        s.*,
        l.material,
        l.era,
        l.install_year_max - l.install_year_min AS install_width_years,
        (l.install_year_min + l.install_year_max) / 2 AS install_year
    FROM summed AS s
    JOIN exposure.lives AS l ON l.life_id = s.life_id
)
SELECT
    life_id,
    outcome,
    material,
    era,
    good_year,
    bad_year,
    greatest(coalesce(good_year - install_year, 0), 0) AS left_years,
    -- seen failed before the middle of the install range: the pipe had some age, however small
    if(
        bad_year IS NULL, 'infinity'::DOUBLE,
        greatest(bad_year - install_year, greatest(coalesce(good_year - install_year, 0), 0) + 0.01)
    ) AS right_years,
    bad_year IS NULL AS is_right_open,
    n_looks,
    CASE
        WHEN is_contradictory THEN 'contradictory'
        WHEN bad_year IS NULL THEN 'never_bad'
        WHEN basis = 'ended' THEN 'ended_between'
        WHEN is_after_repair THEN 'repaired_between'
        WHEN good_year IS NULL THEN 'bad_at_first_look'
        ELSE 'good_then_bad'
    END AS "case",
    install_width_years
FROM aged
ORDER BY life_id, outcome
