-- core.<table>: take the outdated rows away
DELETE FROM core.{table} WHERE rowid IN (SELECT core_row FROM outdated_{table})
