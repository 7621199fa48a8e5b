-- unit_costs: method, diameter, depth band and surface; US dollars of base_year per foot or each, in; from core.unit_costs
SELECT method, diameter_in, depth_band, surface, unit, low_usd, likely_usd, high_usd, base_year
FROM core.unit_costs
ORDER BY method, diameter_in, depth_band, surface
