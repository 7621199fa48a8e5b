-- manholes: one access chamber; key manhole_id; depth_ft in ft; own_x, own_y as recorded, in the grid of a lot that ties into it (epsg, x, lon); from core.manholes, core.connections, core.lots
SELECT
    h.manhole_id, h.x AS own_x, h.y AS own_y, h.depth_ft,
    count(c.lot_id) AS n_connections,
    min(l.epsg) AS epsg, min(l.x) AS x, min(l.lon) AS lon
FROM core.manholes AS h
LEFT JOIN core.connections AS c ON c.manhole_id = h.manhole_id
LEFT JOIN core.lots AS l ON l.lot_id = c.lot_id
GROUP BY ALL
ORDER BY h.manhole_id
