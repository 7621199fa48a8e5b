-- loads: one load of one file; key load_id; times in UTC; from records.loads
SELECT
    load_id, file_name, map_name, layout, loaded_at, n_read, n_accepted, n_unchanged, n_duplicate, n_superseded,
    n_rejected
FROM records.loads
ORDER BY load_id
