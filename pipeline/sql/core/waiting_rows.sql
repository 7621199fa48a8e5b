-- rows that one load rejected because their lot or inspection was not on record, and whether it is by now; grain source row
SELECT
    source_row,
    bool_and(
        CASE
            WHEN column_name = 'lot_id' THEN value IN (SELECT lot_id FROM core.lots)
            ELSE value IN (SELECT inspection_id FROM core.inspections)
        END
    ) AS has_parent
FROM records.rejects
WHERE load_id = $load_id AND reason_code = 'unknown_parent'
GROUP BY source_row
ORDER BY source_row
