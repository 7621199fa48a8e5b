"""Verdict rules: the trade's thresholds (common practice), and a user's own file refused by name."""

from __future__ import annotations

from datetime import date
from importlib import resources

import pytest

from pipeline.errors import SettingsError
from pipeline.settings import Workspace
from pipeline.verdicts import RULES_NAME, YEARS_NAME, material_years, verdict_rules
from pipeline.vocabulary import FindingKind, Verdict

SHIPPED = (resources.files("pipeline.rules") / RULES_NAME).read_text(encoding="utf-8")


def verdict_of(records, finding, **run):
    seen = records(
        lots=[{"lot_id": "A", "year_built": 1950}],
        inspections=[
            {
                "inspection_id": "1",
                "lot_id": "A",
                "inspection_date": date(2000, 1, 1),
                "line_drained": True,
                **run,
            }
        ],
        findings=[{"inspection_id": "1", "at_ft": 10.0, **finding}],
    )
    return seen.finding_verdicts.row(0, named=True)


@pytest.mark.parametrize(
    ("water_in", "length_ft", "near_manhole", "drained", "verdict", "rule"),
    [
        # common practice: from about 1 inch of standing water over at least 5 ft, line drained
        (1.0, 5.0, None, True, "repair", "belly_repair"),
        (2.0, 20.0, False, True, "repair", "belly_repair"),
        # common practice: 1/16 to 1/4 inch over 6 to 8 ft is not reportable
        (0.25, 8.0, None, True, "serviceable", "belly_film"),
        (0.0625, 6.0, None, True, "serviceable", "belly_film"),
        # between the two: monitor
        (0.5, 8.0, None, True, "monitor", "belly_monitor"),
        (1.0, 4.9, None, True, "monitor", "belly_monitor"),
        # the same water undrained, or next to the manhole, is not judged a belly
        (1.0, 5.0, None, False, "monitor", "belly_undrained"),
        (1.0, 5.0, None, None, "monitor", "belly_undrained"),
        (1.0, 5.0, True, True, "monitor", "belly_near_manhole"),
        (None, 8.0, None, True, "monitor", "belly_monitor"),
    ],
)
def test_bellies(records, water_in, length_ft, near_manhole, drained, verdict, rule):
    finding = {
        "kind": "belly",
        "to_ft": 10.0 + length_ft,
        "water_depth_in": water_in,
        "near_manhole": near_manhole,
    }
    found = verdict_of(records, finding, line_drained=drained)
    assert (found["verdict"], found["rule_id"]) == (verdict, rule)
    assert found["is_repair_grade"] == (verdict == "repair")
    assert found["is_unjudged"] == (rule == "belly_undrained")


@pytest.mark.parametrize(
    ("kind", "size", "verdict"),
    [
        ("crack", {}, "monitor"),
        ("fracture", {}, "repair"),
        ("hole", {}, "repair"),
        ("collapse", {}, "replace"),
        ("deformation", {"loss_pct": 9.9}, "monitor"),
        ("deformation", {"loss_pct": 10.0}, "repair"),
        ("deformation", {"loss_pct": 40.0}, "replace"),
        ("deformation", {}, "monitor"),
        ("corrosion", {"loss_pct": 19.9}, "monitor"),
        ("corrosion", {"loss_pct": 20.0}, "repair"),
        ("roots", {"loss_pct": 24.9}, "monitor"),
        ("roots", {"loss_pct": 25.0}, "repair"),
        ("roots", {}, "monitor"),
        ("offset_joint", {"offset_in": 0.75}, "repair"),
        ("offset_joint", {"offset_in": 0.7}, "monitor"),
        ("separated_joint", {"offset_in": 0.75}, "repair"),
        ("separated_joint", {}, "monitor"),
        ("infiltration", {}, "monitor"),
        ("standing_water", {"water_depth_in": 3.0, "to_ft": 20.0}, "serviceable"),
        ("material_change", {}, None),
    ],
)
def test_other_findings(records, kind, size, verdict):
    found = verdict_of(records, {"kind": kind, **size})
    assert found["verdict"] == verdict
    assert found["measured"] == (next(iter(size.values())) if found["measure"] else None)


def test_every_kind_has_rules_and_a_source():
    rules = verdict_rules(Workspace.locate()).rules
    assert {rule.kind for rule in rules} == set(FindingKind.codes())
    assert all(rule.source and rule.sentence for rule in rules)


def test_own_rules_take_the_place_of_the_shipped_ones(tmp_path):
    workspace = Workspace(tmp_path)
    shipped = verdict_rules(workspace)
    (tmp_path / RULES_NAME).write_text(SHIPPED.replace("at_least = 40", "at_least = 50"), encoding="utf-8")
    own = verdict_rules(workspace)
    assert own.version != shipped.version
    assert own.rules[4].measure_min == 50
    (tmp_path / RULES_NAME).write_text(SHIPPED + "\n# a comment changes nothing\n", encoding="utf-8")
    assert verdict_rules(workspace).version == shipped.version


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (
            'verdict = "replace"',
            'verdict = "bad"',
            "verdict_rules.toml, rule 'collapse': verdict 'bad' is unknown. "
            f"Use one of: {', '.join(Verdict.codes())}.",
        ),
        (
            "at_least = 40",
            'at_least = "40"',
            "verdict_rules.toml, rule 'deformation_replace': at_least '40' is not a number from 0 up.",
        ),
        (
            "at_least = 40",
            "",
            "verdict_rules.toml, rule 'deformation_replace': a measure and its bound (at_least or at_most) belong together.",
        ),
        (
            'id = "fracture"',
            'id = "crack"',
            "verdict_rules.toml, rule 'crack': the id stands twice. Give each rule its own.",
        ),
        (
            'id = "grease"',
            'id = "grease"\nmood = 1',
            "verdict_rules.toml, rule 'grease': 'mood' is unknown. Use: ",
        ),
        ('kind = "hole"', 'kind = "crack"', "verdict_rules.toml: there is no rule for 'hole'. Add one."),
        (
            'id = "crack"',
            'id = "crack"\nnear_manhole = true',
            "verdict_rules.toml, rule 'crack': the last rule of 'crack' may name no condition.",
        ),
        (
            'verdict = "monitor"\nsentence = "grease',
            'verdict = "repair"\nsentence = "grease',
            "verdict_rules.toml, rule 'grease': the family 'upkeep' is not a condition of the pipe; no repair here.",
        ),
        ("[[rule]]", "[[rule", "verdict_rules.toml: not readable as TOML"),
    ],
)
def test_impossible_rules_are_refused_by_name(tmp_path, old, new, message):
    assert old in SHIPPED
    (tmp_path / RULES_NAME).write_text(SHIPPED.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(SettingsError) as caught:
        verdict_rules(Workspace(tmp_path))
    assert str(caught.value).startswith(message)


def test_impossible_material_years_are_refused_by_name(tmp_path):
    shipped = (resources.files("pipeline.rules") / YEARS_NAME).read_text(encoding="utf-8")
    for old, new, message in (
        (
            "first = 1945",
            "first = 1975",
            "material_years.toml, [bituminized_fiber]: first 1975 and last 1972 are not years",
        ),
        ("[pvc]", "[plastic]", "material_years.toml, [plastic]: unknown material."),
        ("[steel]\nfirst = 1880\nlast = 1960\n", "[steel]\n", "material_years.toml, [steel]: first None"),
    ):
        (tmp_path / YEARS_NAME).write_text(shipped.replace(old, new, 1), encoding="utf-8")
        with pytest.raises(SettingsError) as caught:
            material_years(Workspace(tmp_path))
        assert str(caught.value).startswith(message)
