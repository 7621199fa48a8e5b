-- looks_by_age: grain (material, whole year of age); unselected looks that judged any outcome, and bad ones; lives whose install
-- range is wider than $width_years are left out
CREATE OR REPLACE TEMP TABLE looks_by_age AS
SELECT
    l.material,
    greatest(floor(k.look_year - (l.install_year_min + l.install_year_max) / 2), 0)::INTEGER AS age_years,
    count(*) AS n_looks,
    sum(k.any_outcome)::BIGINT AS n_bad
FROM exposure.looks AS k
JOIN exposure.lives AS l ON l.life_id = k.life_id
WHERE
    NOT k.is_selected AND k.any_outcome IS NOT NULL AND k.basis <> 'ended'
    AND l.install_year_max - l.install_year_min <= $width_years
GROUP BY l.material, age_years
ORDER BY l.material, age_years
