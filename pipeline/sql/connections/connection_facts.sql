-- connection_facts: one connection; key lot_id; main_depth_ft, station_ft, property_line_ft in ft; from core.connections, core.mains, core.manholes, core.inspections, core.findings, core.works
WITH sharing AS (
    SELECT manhole_id, count(*) AS n FROM core.connections WHERE manhole_id IS NOT NULL GROUP BY manhole_id
),
renewed AS (
    SELECT lot_id, max(works_date) AS works_date
    FROM core.works
    WHERE kind IN ('lining', 'replacement')
    GROUP BY lot_id
),
seen AS (
    -- Water that came into pipe which was renewed since says nothing about the pipe in the ground.
    SELECT i.lot_id, coalesce(bool_or(f.kind = 'infiltration'), false) AS is_leaking
    FROM core.inspections AS i
    LEFT JOIN renewed AS w ON w.lot_id = i.lot_id
    LEFT JOIN core.findings AS f ON f.inspection_id = i.inspection_id
    WHERE
        (w.works_date IS NULL OR i.inspection_date > w.works_date)
        AND coalesce(i.consent, 'aggregate') <> 'none'
    GROUP BY i.lot_id
),
crossed AS (
    -- Told whatever a client allowed: it may be gas.
    SELECT DISTINCT i.lot_id
    FROM core.inspections AS i
    JOIN core.findings AS f ON f.inspection_id = i.inspection_id AND f.kind = 'foreign_line'
)
SELECT
    c.lot_id, c.main_id, c.manhole_id, c.station_ft,
    coalesce(m.depth_ft, h.depth_ft) AS main_depth_ft,
    lower(trim(m.street_class)) AS street_class,
    m.near_water,
    s.is_leaking AS infiltration,
    x.lot_id IS NOT NULL AS has_foreign_line,
    CASE WHEN c.manhole_id IS NULL THEN 0 ELSE n.n END AS sharing_manhole,
    m.outline_wkt AS main_wkt,
    h.x AS manhole_x, h.y AS manhole_y,
    l.property_line_ft,
    l.x, l.y, l.epsg, l.lon, l.lat
FROM core.connections AS c
JOIN core.lots AS l ON l.lot_id = c.lot_id
LEFT JOIN core.mains AS m ON m.main_id = c.main_id
LEFT JOIN core.manholes AS h ON h.manhole_id = c.manhole_id
LEFT JOIN sharing AS n ON n.manhole_id = c.manhole_id
LEFT JOIN seen AS s ON s.lot_id = c.lot_id
LEFT JOIN crossed AS x ON x.lot_id = c.lot_id
ORDER BY c.lot_id
