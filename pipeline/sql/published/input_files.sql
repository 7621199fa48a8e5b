-- input_files: one loaded file; for the manifest and the run id; from records.loads
SELECT file_name, sha256, map_toml, n_read, n_accepted, n_rejected
FROM records.loads
ORDER BY load_id
