-- rejects_by_reason: load and reason with one example; key (load_id, reason_code); from records.rejects
SELECT
    load_id, file_name, reason_code, count(*) AS n_faults,
    min(source_row) AS first_row,
    arg_min(column_name, source_row) AS column_name,
    arg_min(reason, source_row) AS example
FROM records.rejects
GROUP BY load_id, file_name, reason_code
ORDER BY load_id DESC, n_faults DESC, reason_code
