-- reject_counts: file and reason; key (file_name, reason_code); from records.rejects
SELECT file_name, reason_code, count(*) AS n_rejects
FROM records.rejects
GROUP BY file_name, reason_code
ORDER BY file_name, reason_code
