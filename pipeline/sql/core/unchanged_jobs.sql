-- number of jobs whose inspection, lot and segments all stood on record already, word for word
SELECT count(*)
FROM stage_inspections AS i
SEMI JOIN unchanged_inspections AS ui ON ui.source_row = i.source_row
ANTI JOIN (
    SELECT l.lot_id FROM stage_lots AS l ANTI JOIN unchanged_lots AS ul ON ul.source_row = l.source_row
) AS changed_lots ON changed_lots.lot_id = i.lot_id
ANTI JOIN (
    SELECT s.source_row FROM stage_segments AS s ANTI JOIN unchanged_segments AS us ON us.source_row = s.source_row
) AS changed_segments ON changed_segments.source_row = i.source_row
ANTI JOIN shrunk_lines AS shrunk ON shrunk.observed_by = i.inspection_id
