"""The workspace folder and the settings a user may edit; nothing here opens the warehouse."""

from __future__ import annotations

import math
import os
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from datetime import date, datetime
from pathlib import Path
from typing import Any

import tomli_w

from pipeline import rule_files
from pipeline.errors import SettingsError
from pipeline.vocabulary import Correction, Outcome, Purpose
from pipeline.whole_files import write_whole

WORKSPACE_VARIABLE = "UNDERLOT_WORKSPACE"
DEFAULT_WORKSPACE = "underlot-work"

SETTINGS_HEAD = """\
# Settings of this Underlot workspace. Edit and save; the next `underlot build` uses them.
# [detection.<outcome>] says how well a camera look tells failed from sound, between 0 and 1:
#   sensitivity = share of failed pipe called failed, specificity = share of sound pipe called sound.
#   1 and 1 mean that looks are taken at their word.
#   sensitivity_looks, specificity_looks = how sure one is of them: as sure as of a share counted at so many looks at
#   pipe of known state. Looks on record, above all those that contradict each other, then move the rates, and what
#   stays uncertain widens every range. Left out, a rate is taken as given.
#   Published: of poor sewers 20 % were seen as better and of good ones 15 % as worse (Caradot et al. 2018, abstract);
#   about a quarter of defects were missed, and few seen that were not there (Dirksen et al. 2013, from memory). So:
#     [detection.any]
#     sensitivity = 0.8
#     sensitivity_looks = 50
#     specificity = 0.95
#     specificity_looks = 50
# corrections: biases of the records that are allowed for; leave one out, build, and see what it does.
"""


@dataclass(frozen=True, slots=True)
class DetectionRates:
    """How well one camera look tells failed from sound.

    Attributes
    ----------
    sensitivity : float
        Share of failed pipe that is called failed, 0 to 1.
    specificity : float
        Share of sound pipe that is called sound, 0 to 1.
    sensitivity_looks, specificity_looks : float or None
        How sure one is of the rate: as of a share counted at so many looks at pipe of known state. None: it is
        taken as given.
    """

    sensitivity: float = 1.0
    specificity: float = 1.0
    sensitivity_looks: float | None = None
    specificity_looks: float | None = None

    def __post_init__(self) -> None:
        """Refuse rates under which a look would say nothing, and a worth that is none."""
        for name in ("sensitivity", "specificity"):
            value = getattr(self, name)
            if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value <= 1:
                msg = (
                    f"settings.toml, detection, {name}: {value!r} is not a share between 0 and 1. Correct it."
                )
                raise SettingsError(msg)
        if self.sensitivity + self.specificity <= 1:
            msg = (
                f"settings.toml, detection: sensitivity {self.sensitivity} and specificity {self.specificity} add up "
                "to 1 or less, so a look would carry no information. Correct them."
            )
            raise SettingsError(msg)
        for name in ("sensitivity", "specificity"):
            self._check_worth(name, getattr(self, f"{name}_looks"))

    def _check_worth(self, name: str, looks: object) -> None:
        if looks is None:
            return
        if isinstance(looks, bool) or not isinstance(looks, int | float) or not 1 <= looks < math.inf:
            msg = (
                f"settings.toml, detection, {name}_looks: {looks!r} is not a number of looks from 1 up. Correct it, "
                f"or leave it out to take {name} as given."
            )
            raise SettingsError(msg)
        if getattr(self, name) == 1:
            msg = (
                f"settings.toml, detection, {name}_looks: a {name} of 1 leaves nothing to be unsure of. Write a "
                f"{name} below 1, or leave {name}_looks out."
            )
            raise SettingsError(msg)

    @property
    def given(self) -> dict[str, float]:
        """What the settings file says of them."""
        every = {item.name: getattr(self, item.name) for item in fields(self)}
        return {name: value for name, value in every.items() if value is not None}


_RATE_SETTINGS = {item.name for item in fields(DetectionRates)}


#: Whole numbers, from 1 up, and what is more than any records need or a machine holds.
MOST = {
    "min_lives": 1_000_000,
    "min_events": 1_000_000,
    "min_area_inspections": 1_000_000,
    "min_area_events": 1_000_000,
    "n_draws": 10_000,
    "hot_spot_draws": 100_000,
    "seed": 2**63 - 1,
}


@dataclass(frozen=True, slots=True)
class Settings:
    """What a user may set; every value is printed with the results that used it.

    Attributes
    ----------
    town : str
        Name shown on pages and reports.
    is_synthetic : bool
        The records are invented; every page says so.
    default_outcome : str
        Outcome that pages and scores open with.
    holding_period_years : float
        "Will it fail while I own it" looks this far ahead [years].
    as_of : date or None
        Day for which scores hold; None means the latest inspection on record.
    selected_purposes : tuple of str
        Purposes whose looks are made because a line is failing; kept out of the curves, used in scores.
    corrections : tuple of str
        Biases of the records that the fits allow for (`pipeline.vocabulary.Correction`); leave one out to see
        what it does. For looks made because a line was failing see `selected_purposes`, for what a camera
        misses see `detection`.
    min_lives, min_events : int
        A curve with fewer is refused.
    min_area_inspections, min_area_events : int
        An area with fewer says "too few records".
    n_draws : int
        Parameter draws behind every range.
    hot_spot_draws : int
        Draws of towns without a hot spot behind every p-value of one.
    hot_spot_recent_years : float
        Look for hot spots once more, among looks of so many years back only [years]; 0 for not.
    seed : int
        Seed of all random draws.
    detection : mapping of str to DetectionRates
        Per outcome.
    """

    town: str = "These records"
    is_synthetic: bool = False
    default_outcome: str = Outcome.ANY.value
    holding_period_years: float = 10.0
    as_of: date | None = None
    selected_purposes: tuple[str, ...] = (Purpose.BACKUP.value,)
    corrections: tuple[str, ...] = Correction.codes()
    min_lives: int = 30
    min_events: int = 5
    min_area_inspections: int = 10
    min_area_events: int = 3
    n_draws: int = 200
    hot_spot_draws: int = 999
    hot_spot_recent_years: float = 0.0
    seed: int = 20260630
    detection: Mapping[str, DetectionRates] = field(
        default_factory=lambda: {outcome: DetectionRates() for outcome in Outcome.codes()}
    )

    def __post_init__(self) -> None:
        """Refuse impossible values with one sentence."""
        for name, most in MOST.items():
            value = getattr(self, name)
            if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= most:
                raise SettingsError(
                    f"settings.toml, {name}: {value!r} is not a whole number from 1 to {most:,}. Correct it."
                )
        if not isinstance(self.town, str):
            raise SettingsError('settings.toml, town: write a name in quotes, such as "Alder City".')
        if not isinstance(self.holding_period_years, int | float) or not 0 < self.holding_period_years <= 100:
            msg = f"settings.toml, holding_period_years: {self.holding_period_years!r} is not between 0 and 100. Correct it."
            raise SettingsError(msg)
        years = self.hot_spot_recent_years
        if isinstance(years, bool) or not isinstance(years, int | float) or not 0 <= years <= 200:
            msg = f"settings.toml, hot_spot_recent_years: {years!r} is not between 0 and 200. Correct it."
            raise SettingsError(msg)
        if not isinstance(self.is_synthetic, bool):
            raise SettingsError("settings.toml, is_synthetic: write true or false.")
        if self.as_of is not None and (not isinstance(self.as_of, date) or isinstance(self.as_of, datetime)):
            raise SettingsError("settings.toml, as_of: write a date such as 2026-06-30, without quotes.")
        _refuse_unknown("default_outcome", (self.default_outcome,), Outcome.codes())
        _refuse_unknown("selected_purposes", self.selected_purposes, Purpose.codes())
        _refuse_unknown("corrections", self.corrections, Correction.codes())
        _refuse_unknown("detection", tuple(self.detection), Outcome.codes())

    def to_toml(self) -> str:
        """Return the file's text, comments included."""
        plain: dict[str, Any] = {}
        for item in fields(self):
            value = getattr(self, item.name)
            if item.name == "detection":
                plain["detection"] = {outcome: rates.given for outcome, rates in value.items()}
            elif value is not None:
                plain[item.name] = list(value) if isinstance(value, tuple) else value
        return f"{SETTINGS_HEAD}\n{tomli_w.dumps(plain)}"

    @classmethod
    def from_toml(cls, text: str) -> Settings:
        """Parse the file's text.

        Raises
        ------
        SettingsError
            The text is no TOML, or names a setting that does not exist, or a value is impossible.
        """
        plain = rule_files.parsed(text, "settings.toml")
        _refuse_unknown("setting", tuple(plain), tuple(item.name for item in fields(cls)))
        detection = {outcome: DetectionRates() for outcome in Outcome.codes()}
        given = plain.pop("detection", {})
        if not isinstance(given, dict):
            raise SettingsError("settings.toml, detection: write it as [detection.any], [detection.grade], …")
        for outcome, rates in given.items():
            if not isinstance(rates, dict) or set(rates) - _RATE_SETTINGS:
                raise SettingsError(
                    f"settings.toml, detection.{outcome}: it has sensitivity, specificity, sensitivity_looks and "
                    "specificity_looks only."
                )
            detection[outcome] = DetectionRates(**rates)
        lists = {
            name: _listed(plain, name, example)
            for name, example in (("selected_purposes", Purpose.BACKUP), ("corrections", Correction.AREAS))
            if name in plain
        }
        return cls(**(plain | lists), detection=detection)


def _listed(plain: Mapping[str, Any], name: str, example: str) -> tuple[Any, ...]:
    if not isinstance(plain[name], list):
        raise SettingsError(f'settings.toml, {name}: write a list such as ["{example}"].')
    return tuple(plain[name])


def _refuse_unknown(name: str, given: tuple[Any, ...], allowed: tuple[str, ...]) -> None:
    for value in given:
        if value not in allowed:
            raise SettingsError(
                f"settings.toml, {name}: {value!r} is unknown. Use one of: {', '.join(allowed)}."
            )


@dataclass(frozen=True, slots=True)
class Workspace:
    """The folder that holds one user's warehouse, settings, maps and published generations."""

    root: Path

    @classmethod
    def locate(cls, given: Path | None = None) -> Workspace:
        """Return the workspace named by the caller, else by the environment, else the default folder."""
        return cls(
            Path(given or os.environ.get(WORKSPACE_VARIABLE) or DEFAULT_WORKSPACE).expanduser().resolve()
        )

    @property
    def warehouse(self) -> Path:
        """The working DuckDB file."""
        return self.root / "warehouse.duckdb"

    @property
    def lock(self) -> Path:
        """Held by the one process that may write."""
        return self.root / "warehouse.lock"

    @property
    def published(self) -> Path:
        """Folder of the published generations."""
        return self.root / "published"

    @property
    def maps(self) -> Path:
        """Folder of column maps."""
        return self.root / "maps"

    @property
    def logs(self) -> Path:
        """Folder of log files."""
        return self.root / "logs"

    @property
    def settings_file(self) -> Path:
        """The user's settings."""
        return self.root / "settings.toml"

    def create(self) -> None:
        """Make the folder, if it is not there.

        Raises
        ------
        SettingsError
            The folder cannot be made.
        """
        try:
            self.root.mkdir(parents=True, exist_ok=True)
        except OSError as exc:
            msg = f"{self.root}: the workspace folder cannot be made ({exc.strerror}). Choose another with --workspace."
            raise SettingsError(msg) from exc

    def settings(self) -> Settings:
        """Read the user's settings; the defaults apply where there is no file."""
        if not self.settings_file.exists():
            return Settings()
        return Settings.from_toml(rule_files.own_text(self.settings_file))

    def write_settings(self, settings: Settings) -> None:
        """Write the settings file, replacing it whole."""
        self.create()
        write_whole(self.settings_file, settings.to_toml())
