-- newest_day: one row; the day of the newest record, NULL where none is dated; from core.inspections, core.works
SELECT greatest(
    (SELECT max(inspection_date) FROM core.inspections),
    (SELECT max(works_date) FROM core.works)
) AS newest_day
