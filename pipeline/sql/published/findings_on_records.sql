-- findings_on_records: one contradiction in accepted records; n = records concerned; from records.findings_on_records
SELECT kind, table_name, lot_id, inspection_id, detail, n
FROM records.findings_on_records
ORDER BY kind, table_name, lot_id, inspection_id, detail
