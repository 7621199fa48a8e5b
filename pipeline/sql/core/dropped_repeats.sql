-- dropped: identical repeats count as duplicates (the first stays); one key with different contents rejects all its rows
INSERT INTO dropped
SELECT
    source_row,
    if(n_versions = 1, 'duplicate', 'rejected'),
    $table_name,
    $column_name,
    key_text,
    if(n_versions = 1, NULL, 'duplicate_conflict'),
    if(
        n_versions = 1, NULL,
        'Rows ' || array_to_string(first_rows, ', ') || if(n_rows > len(first_rows), ', …', '')
        || ' carry the same ' || $column_name || ' ''' || key_text
        || ''' with different content. Keep the right one, or give them different ids.'
    )
FROM repeated_rows
WHERE n_versions > 1 OR source_row > first_rows[1]
