-- number of rows of the file that repeat an earlier row and are not rejected as well
SELECT count(*)
FROM dropped AS d
ANTI JOIN (SELECT source_row FROM dropped WHERE outcome = 'rejected') AS r ON r.source_row = d.source_row
