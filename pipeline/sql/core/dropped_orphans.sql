-- dropped: rows that name a lot or inspection which is not on record
INSERT INTO dropped
SELECT
    s.source_row, 'rejected', $table_name, $column_name, s.{column}, 'unknown_parent',
    upper($parent_word[1]) || $parent_word[2:] || ' ''' || s.{column} || ''' is not on record. Load the ' || $parent_word
    || 's first, or correct the ' || $column_name || '.'
FROM stage_{table} AS s
ANTI JOIN core.{parent} AS p ON p.{parent_key} = s.{column}
WHERE s.{column} <> ''
