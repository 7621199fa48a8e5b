-- exposure.intervals: grain (life, outcome); key both; unselected looks only; ages (left_years, right_years] in years, counted
-- from the middle of the install range, which is install_width_years wide; right_years infinite = never seen failed
CREATE OR REPLACE TABLE exposure.intervals AS
WITH judged AS (
    SELECT life_id, look_year, basis, unnest([
        {'outcome': 'structural', 'bad': structural},
        {'outcome': 'roots_joints', 'bad': roots_joints},
        {'outcome': 'grade', 'bad': grade},
        {'outcome': 'any', 'bad': any_outcome}
    ], recursive := true)
    FROM exposure.looks
    WHERE NOT is_selected
),
first_bad AS (
    SELECT life_id, outcome, min(look_year) AS bad_year, arg_min(basis, look_year) AS basis
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
        max(j.look_year) FILTER (j.bad = 0 AND (b.bad_year IS NULL OR j.look_year < b.bad_year)) AS good_year,
        -- after a spot repair a good look contradicts nothing
        bool_or(
            j.bad = 0 AND j.look_year >= b.bad_year
            AND NOT coalesce(l.repaired_year > b.bad_year AND l.repaired_year <= j.look_year, false)
        ) AS is_contradictory
    FROM judged AS j
    JOIN exposure.lives AS l ON l.life_id = j.life_id
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
        WHEN good_year IS NULL THEN 'bad_at_first_look'
        ELSE 'good_then_bad'
    END AS "case",
    install_width_years
FROM aged
ORDER BY life_id, outcome
