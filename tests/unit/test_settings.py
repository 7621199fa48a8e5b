"""Settings survive a round trip and refuse nonsense in one sentence."""

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.errors import SettingsError
from pipeline.settings import DetectionRates, Settings, Workspace


@given(
    st.builds(
        Settings,
        town=st.text(st.characters(exclude_categories=("C",)), max_size=30),
        holding_period_years=st.floats(0.5, 100),
        as_of=st.none() | st.dates(date(1990, 1, 1), date(2100, 1, 1)),
        seed=st.integers(1, 2**31),
        detection=st.fixed_dictionaries(
            {
                outcome: st.builds(
                    DetectionRates,
                    st.floats(0.6, 0.999),
                    st.floats(0.6, 0.999),
                    st.none() | st.floats(1, 1e6),
                    st.none() | st.integers(1, 1000),
                )
                | st.builds(DetectionRates, st.floats(0.6, 1), st.floats(0.6, 1))
                for outcome in ("structural", "roots_joints", "grade", "any")
            }
        ),
    )
)
def test_settings_come_back_as_they_were_written(settings):
    assert Settings.from_toml(settings.to_toml()) == settings


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("towm = 'x'", "settings.toml, setting: 'towm' is unknown."),
        ("n_draws = 0", "n_draws: 0 is not a whole number from 1 to 10,000"),
        ("n_draws = true", "n_draws: True is not a whole number from 1 to 10,000"),
        ("n_draws = 9999999999999", "n_draws: 9999999999999 is not a whole number from 1 to 10,000"),
        (f"seed = {2**63}", "is not a whole number from 1 to 9,223,372,036,854,775,807"),
        ("town = 3", "town: write a name in quotes"),
        ("as_of = 2026-06-30T10:00:00", "as_of: write a date such as 2026-06-30"),
        ("holding_period_years = -1", "holding_period_years: -1 is not between 0 and 100"),
        ("as_of = 'soon'", "as_of: write a date such as 2026-06-30"),
        ("selected_purposes = ['gossip']", "selected_purposes: 'gossip' is unknown"),
        ("selected_purposes = 'backup'", "selected_purposes: write a list"),
        ("[detection.any]\nsensitivity = 80", "sensitivity: 80 is not a share between 0 and 1"),
        ("[detection.any]\nsensitivity = 0.4\nspecificity = 0.5", "carry no information"),
        ("[detection.wet]\nsensitivity = 0.9", "detection: 'wet' is unknown"),
        (
            "[detection.any]\nspeed = 1",
            "it has sensitivity, specificity, sensitivity_looks and specificity_looks only",
        ),
        (
            "[detection.any]\nsensitivity = 0.8\nsensitivity_looks = -5",
            "detection, sensitivity_looks: -5 is not a number of looks from 1 up. Correct it, or leave it out to take "
            "sensitivity as given.",
        ),
        (
            "[detection.any]\nspecificity = 0.9\nspecificity_looks = 'many'",
            "detection, specificity_looks: 'many' is not a number of looks from 1 up.",
        ),
        (
            "[detection.any]\nsensitivity = 0.8\nsensitivity_looks = inf",
            "sensitivity_looks: inf is not a number of looks from 1 up",
        ),
        (
            "[detection.any]\nsensitivity_looks = 50",
            "detection, sensitivity_looks: a sensitivity of 1 leaves nothing to be unsure of. Write a sensitivity "
            "below 1, or leave sensitivity_looks out.",
        ),
        ("detection = 3", "detection: write it as"),
        ("town = ", "not readable as TOML"),
    ],
)
def test_impossible_settings_are_refused_with_one_sentence(text, says):
    with pytest.raises(SettingsError, match=r"settings\.toml") as caught:
        Settings.from_toml(text)
    assert says in str(caught.value)


def test_a_file_of_an_earlier_version_takes_its_rates_as_given():
    older = "[detection.any]\nsensitivity = 0.8\nspecificity = 0.95\n"
    rates = Settings.from_toml(older).detection["any"]
    assert (rates.sensitivity_looks, rates.specificity_looks) == (None, None)
    assert (
        "_looks" not in Settings().to_toml().split("\n\n", 1)[1]
    )  # the head explains it, no value is written


def test_a_workspace_without_a_settings_file_uses_the_defaults(tmp_path):
    workspace = Workspace.locate(tmp_path)
    assert workspace.settings() == Settings()
    workspace.write_settings(Settings(town="Elsewhere"))
    assert workspace.settings().town == "Elsewhere"


def test_the_environment_names_the_workspace(tmp_path, monkeypatch):
    monkeypatch.setenv("UNDERLOT_WORKSPACE", str(tmp_path))
    assert Workspace.locate().root == tmp_path
