-- an expression, not a statement: all that one job says, apart from its lot (lots are merged, not compared)
row({content}, (
    SELECT list(row({columns}) ORDER BY g.sequence) FROM stage_segments AS g WHERE g.source_row = s.source_row
))
