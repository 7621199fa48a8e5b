-- number of rows of one table
SELECT count(*) FROM {table}
