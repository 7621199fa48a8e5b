-- records.verdict_rules: one rule of one version; key (rule_version, position); sizes in inches, feet and % of area
CREATE TABLE IF NOT EXISTS records.verdict_rules (
    rule_version VARCHAR NOT NULL,
    position INTEGER NOT NULL,
    rule_id VARCHAR NOT NULL,
    kind VARCHAR NOT NULL,
    family VARCHAR NOT NULL,
    verdict VARCHAR,
    measure VARCHAR,
    measure_min DOUBLE,
    measure_max DOUBLE,
    length_min_ft DOUBLE,
    needs_drained BOOLEAN NOT NULL,
    near_manhole BOOLEAN,
    is_unjudged BOOLEAN NOT NULL,
    is_hazard BOOLEAN NOT NULL,
    sentence VARCHAR NOT NULL,
    source VARCHAR NOT NULL
)
