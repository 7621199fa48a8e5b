-- mains: one public sewer; key main_id; depth_ft in ft, diameter_in in inches; outline_wkt as recorded, in the grid of a lot that ties into it (epsg, x, lon); from core.mains, core.connections, core.lots
SELECT
    m.main_id, m.outline_wkt, m.material, m.diameter_in, m.depth_ft, m.install_year, m.street_class,
    count(c.lot_id) AS n_connections,
    min(l.epsg) AS epsg, min(l.x) AS x, min(l.lon) AS lon
FROM core.mains AS m
LEFT JOIN core.connections AS c ON c.main_id = m.main_id
LEFT JOIN core.lots AS l ON l.lot_id = c.lot_id
GROUP BY ALL
ORDER BY m.main_id
