-- lots_cut_short: one lot whose length rests on a camera that once did not get through, for want of a measured inventory; key lot_id; from core.inspections, core.segments
WITH measured AS (
    SELECT lot_id
    FROM core.segments
    WHERE observed_by = ''
    GROUP BY lot_id
    HAVING arg_max(to_ft IS NOT NULL, sequence)
)
SELECT i.lot_id
FROM core.inspections AS i
ANTI JOIN measured AS m ON m.lot_id = i.lot_id
WHERE coalesce(i.consent, 'aggregate') <> 'none'
GROUP BY i.lot_id
HAVING bool_or(i.reached_tie_in IS FALSE OR i.abandoned_reason IS NOT NULL)
ORDER BY i.lot_id
