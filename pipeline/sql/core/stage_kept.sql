-- stage_<table>: rows of the file that have passed all checks so far
CREATE OR REPLACE TEMP TABLE stage_{table}_kept AS
SELECT s.* FROM stage_{table} AS s ANTI JOIN dropped AS d ON d.source_row = s.source_row
