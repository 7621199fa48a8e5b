-- number of jobs whose inspection, lot and segments all stood on record already, word for word
SELECT count(*)
FROM stage_inspections AS i
SEMI JOIN unchanged_inspections AS ui ON ui.inspection_id = i.inspection_id
SEMI JOIN unchanged_lots AS ul ON ul.lot_id = i.lot_id
ANTI JOIN (
    SELECT s.source_row
    FROM stage_segments AS s
    ANTI JOIN unchanged_segments AS us
        ON us.lot_id = s.lot_id AND us.observed_by = s.observed_by AND us.sequence = s.sequence
) AS changed_segments ON changed_segments.source_row = i.source_row
ANTI JOIN shrunk_lines AS shrunk ON shrunk.observed_by = i.inspection_id
