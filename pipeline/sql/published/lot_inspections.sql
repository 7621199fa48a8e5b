-- lot_inspections: one inspection; key (lot_id, inspection_id); look_year in decimal years or the age; from core.inspections, core.findings, exposure.looks, exposure.line_looks, records.verdict_rules
WITH judged AS (
    SELECT
        inspection_id, look_year, is_selected, any_outcome, rule_id, rule_version, finding_number,
        list_position(['serviceable', 'monitor', 'repair', 'replace'], verdict) AS severity
    FROM exposure.looks
    WHERE basis <> 'ended'
    UNION ALL
    SELECT inspection_id, look_year, is_selected, any_outcome, NULL, NULL, NULL, NULL
    FROM exposure.line_looks
),
worst AS (
    SELECT
        inspection_id,
        max(look_year) AS look_year,
        bool_or(is_selected) AS is_selected,
        max(any_outcome) AS any_outcome,
        max(severity) AS severity,
        arg_max(rule_id, (severity, life_order)) AS rule_id,
        arg_max(rule_version, (severity, life_order)) AS rule_version,
        arg_max(finding_number, (severity, life_order)) AS finding_number
    FROM (SELECT *, coalesce(-finding_number, -1000000) AS life_order FROM judged)
    GROUP BY inspection_id
),
rules AS (
    SELECT rule_version, rule_id, any_value(sentence) AS sentence
    FROM records.verdict_rules
    GROUP BY rule_version, rule_id
),
counted AS (SELECT inspection_id, count(*) AS n_findings FROM core.findings GROUP BY inspection_id)
SELECT
    i.lot_id, i.inspection_id, i.inspection_date,
    coalesce(w.look_year, i.age_years) AS look_year,
    i.purpose,
    coalesce(w.is_selected, false) AS is_selected,
    coalesce(['serviceable', 'monitor', 'repair', 'replace'][w.severity], i.overall_verdict) AS verdict,
    w.any_outcome = 1 AS is_bad,
    CASE
        WHEN w.finding_number IS NOT NULL THEN
            concat(replace(f.kind, '_', ' '), ' at ', round(f.at_ft, 1), ' ft: ', coalesce(r.sentence, w.rule_id))
        WHEN i.overall_verdict IS NOT NULL THEN 'overall verdict as recorded; no findings were kept'
    END AS rule,
    i.end_ft, i.reached_tie_in, i.line_drained,
    coalesce(c.n_findings, 0) AS n_findings
FROM core.inspections AS i
LEFT JOIN worst AS w USING (inspection_id)
LEFT JOIN rules AS r USING (rule_version, rule_id)
LEFT JOIN core.findings AS f ON f.inspection_id = i.inspection_id AND f.number = w.finding_number
LEFT JOIN counted AS c ON c.inspection_id = i.inspection_id
WHERE coalesce(i.consent, 'aggregate') <> 'none'
ORDER BY i.lot_id, i.inspection_id
