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
        'Rows ' || array_to_string(list_slice(rows_of_key, 1, 6), ', ')
        || if(len(rows_of_key) > 6, ', …', '')
        || ' carry the same ' || $column_name || ' ''' || key_text
        || ''' with different content. Keep the right one, or give them different ids.'
    )
FROM repeated_rows
WHERE n_versions > 1 OR place > 1
