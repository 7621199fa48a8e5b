-- rejects: one fault of a row that was not taken, the newest by load up to ? rows; from records.rejects
SELECT load_id, file_name, source_row, table_name, column_name, value, reason_code, reason
FROM records.rejects
ORDER BY load_id DESC, source_row, table_name, column_name, reason_code, value
LIMIT ?
