"""The file of assumptions behind the ranking of connections: every fault is one sentence that names its place."""

from __future__ import annotations

from importlib import resources

import pytest

from pipeline.errors import SettingsError
from pipeline.settings import Workspace
from pipeline.steps.connections_rules import FILE, consequences, parse

SHIPPED = (resources.files("pipeline.rules") / FILE).read_text(encoding="utf-8")


def test_the_shipped_file_says_where_each_number_comes_from():
    rules = parse(SHIPPED)
    assert rules.part == "lower"
    told = rules.assumptions()
    assert told["source"].null_count() == 0
    assert told["source"].str.len_chars().min() > 0
    # Every weight and price is told, not only read.
    for weight in rules.weights:
        assert f"weight: {weight.because}" in told["name"].to_list()
    for row in rules.lower_laterals:
        assert f"lower lateral{row.where()}" in told["name"].to_list()
    assert told.height == 7 + len(rules.costs) + len(rules.lower_laterals) + len(rules.weights)


def test_the_workspaces_own_file_comes_first(tmp_path):
    (tmp_path / FILE).write_text(SHIPPED.replace("list_length = 50", "list_length = 7"), encoding="utf-8")
    assert consequences(Workspace(tmp_path)).list_length == 7


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("low = 1500", "low = -1", r"\[prices\], mobilisation_usd: low is -1; it cannot be negative\."),
        ("low = 2500, likely", "likely", "each_usd: low, likely and high are needed\\. Write it as"),
        (
            "low = 2500, likely = 4000",
            "low = 4001, likely = 4000",
            "each_usd: low, likely and high do not rise in this order\\.",
        ),
        ("low = 2500", "low = 0", "each_usd: low is 0; it must be 0.01 or more\\."),
        ("at_least_ft = 0\n", "at_least_ft = 3\n", "at_least_ft = 0"),
        ('part = "lower"', 'part = "yard"', "part: 'yard' is unknown"),
        (
            'parts = ["lower", "tie_in", "whole"]',
            'parts = ["yard"]',
            r"\[\[weight\]\] 1, parts: write a list",
        ),
        ('street_class = "collector"', 'street_class = "arterial"', "street_class has a block already"),
        (
            "[[lower_lateral]]\nlength_ft",
            '[[lower_lateral]]\nstreet_class = "lane"\nlength_ft',
            "one .*block without street_class",
        ),
        (
            "low = 22, likely = 28",
            "low = 22, likely = -28",
            "length_ft: likely is -28; it must be 1 or more\\.",
        ),
        ("list_length = 50", "list_length = 0.5", "list_length: 0.5 is not a whole number from 1 up\\."),
        ('factor = "near_water"', 'factor = "moon"', "factor: 'moon' is unknown"),
        ("times = 1.5", "times = 0", "times: 0 is not above 0"),
        ("times = 1.5", 'times = "much"', "times: 'much' is not a number from 0 up\\."),
        ('factor = "near_water"\nis = "true"', 'factor = "near_water"\nat_least = 3', 'has is = "a word"'),
        ("base_year = 2025", "base_year = 25", "base_year: 25 is not a number from 1990 to 2100\\."),
        ('high = 8500 }\nsource = "judgement"', "high = 8500 }", "source: write a text in quotes\\."),
        ("[prices]", "[price]", "'price' is unknown"),
        ("[prices]", "[prices", "not readable as TOML"),
    ],
)
def test_a_fault_is_one_sentence_with_its_place(old, new, told):
    assert old in SHIPPED
    with pytest.raises(SettingsError, match=told) as caught:
        parse(SHIPPED.replace(old, new, 1))
    assert "\n" not in str(caught.value).split("(")[0]
    assert FILE in str(caught.value)
