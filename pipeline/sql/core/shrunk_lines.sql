-- shrunk_lines: inspections whose line was described with segments that the file no longer brings; grain inspection
CREATE TEMP TABLE shrunk_lines AS
SELECT DISTINCT c.observed_by FROM core.segments AS c SEMI JOIN outdated_segments AS o ON o.core_row = c.rowid
