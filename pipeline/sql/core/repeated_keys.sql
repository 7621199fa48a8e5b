-- repeated_keys: keys that stand more than once in the file being loaded; grain key
CREATE TEMP TABLE repeated_keys AS
SELECT {key} FROM stage_{table} GROUP BY {key} HAVING count(*) > 1
