-- decimal_year(day): a date as a number of years, e.g. 2001-07-02 is 2001.5
CREATE OR REPLACE TEMP MACRO decimal_year(day) AS year(day) + (dayofyear(day) - 1) / 365.25
