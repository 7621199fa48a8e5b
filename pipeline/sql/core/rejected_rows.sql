-- rows of one load to be mended, as given: the rejected ones with their reasons, and the other rows of their groups (a later
-- load replaces, say, the findings of an inspection together); grain source row
WITH given AS (
    SELECT g.*, concat_ws(' ', {group}) AS group_text FROM landing.load_{load} AS g
),
faults AS (
    SELECT source_row, string_agg(DISTINCT reason, ' ' ORDER BY reason) AS reason
    FROM records.rejects
    WHERE load_id = $load_id
    GROUP BY source_row
),
groups AS (
    SELECT DISTINCT g.group_text FROM given AS g SEMI JOIN faults AS f ON f.source_row = g.source_row
)
SELECT g.* EXCLUDE (group_text), f.reason
FROM given AS g
LEFT JOIN faults AS f ON f.source_row = g.source_row
WHERE f.reason IS NOT NULL OR ($keeps_groups AND g.group_text IN (SELECT group_text FROM groups))
ORDER BY g.source_row
