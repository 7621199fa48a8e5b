-- core.<table>: the same rows in the order of today's columns; those that the contract did not have are empty
CREATE OR REPLACE TABLE core.{table} AS SELECT {columns} FROM core.{table}
