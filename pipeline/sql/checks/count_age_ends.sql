-- age_ends: grain (table, last digit 0-9); how many recorded ages [years], or install years, end in each digit
CREATE OR REPLACE TEMP TABLE age_ends AS
WITH numbers AS (
    SELECT 'inspections' AS table_name, age_years::BIGINT AS number FROM core.inspections WHERE age_years >= 1
    UNION ALL
    SELECT 'segments', install_year FROM core.segments WHERE install_year IS NOT NULL
    UNION ALL
    SELECT 'lots', year_built FROM core.lots WHERE year_built IS NOT NULL
)
SELECT table_name, number % 10 AS last_digit, count(*) AS n
FROM numbers
GROUP BY table_name, last_digit
ORDER BY table_name, last_digit
