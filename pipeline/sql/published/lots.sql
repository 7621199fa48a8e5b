-- lots without scores: one lot; key lot_id; x, y as recorded (grid epsg, else local feet), lon, lat in degrees; from core.lots, core.inspections
SELECT
    l.lot_id, l.address, l.lon, l.lat, l.x, l.y, l.epsg, l.outline_wkt, l.year_built, l.subdivision, l.block,
    l.portfolio, l.soil, l.large_tree_near,
    coalesce(i.n_inspections, 0) AS n_inspections,
    i.last_inspection_date
FROM core.lots AS l
LEFT JOIN (
    SELECT lot_id, count(*) AS n_inspections, max(inspection_date) AS last_inspection_date
    FROM core.inspections
    WHERE coalesce(consent, 'aggregate') <> 'none'
    GROUP BY lot_id
) AS i USING (lot_id)
ORDER BY l.lot_id
