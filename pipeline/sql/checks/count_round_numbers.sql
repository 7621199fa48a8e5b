-- round_numbers: grain (table, column, number); how often each whole age [years], install year or house year is on record
CREATE OR REPLACE TEMP TABLE round_numbers AS
WITH numbers AS (
    SELECT 'inspections' AS table_name, 'age_years' AS column_name, age_years AS number
    FROM core.inspections
    WHERE age_years IS NOT NULL
    UNION ALL
    SELECT 'segments', 'install_year', install_year FROM core.segments WHERE install_year IS NOT NULL
    UNION ALL
    SELECT 'lots', 'year_built', year_built FROM core.lots WHERE year_built IS NOT NULL
)
SELECT table_name, column_name, number, count(*) AS n
FROM numbers
WHERE number = round(number)
GROUP BY table_name, column_name, number
ORDER BY table_name, column_name, number
