"""What replacement budgets assume, as checked values: `assumptions` reads them from the file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import polars as pl

from models.money import Spread
from models.renewal_stock import LONGEST_HORIZON
from pipeline.errors import SettingsError
from pipeline.toml_values import LARGEST
from pipeline.vocabulary import Material

FILE = "assumptions.toml"
PER_FOOT, EACH = "per foot", "each"
#: Materials that new pipe may be of; the laws of these are published.
NEW_MATERIALS = (
    Material.PVC.value,
    Material.ABS.value,
    Material.POLYETHYLENE.value,
    Material.CURED_IN_PLACE.value,
    Material.DUCTILE_IRON.value,
    Material.CAST_IRON.value,
    Material.VITRIFIED_CLAY.value,
)
MOST_DRAWS = 100_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Method:
    """A way of renewing pipe.

    Attributes
    ----------
    name, material : str
        Its name; what the new pipe is made of.
    not_for : tuple of str
        Materials that it does not fit.
    source : str
        Where that comes from.
    """

    name: str
    material: str
    not_for: tuple[str, ...]
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitCost:
    """What a method costs; an empty diameter, band or surface fits any.

    Attributes
    ----------
    method, unit : str
        `unit` is PER_FOOT or EACH.
    diameter_in : float or None
        Nominal diameter [in].
    depth_band, surface : str or None
        As written.
    usd : Spread
        In money of `base_year`.
    base_year : int
    source : str
    """

    method: str
    diameter_in: float | None
    depth_band: str | None
    surface: str | None
    unit: str
    usd: Spread
    base_year: int
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Assumptions:
    """What the file says.

    Attributes
    ----------
    values : mapping of str to mapping
        Section → name → value; ranges as Spread.
    sources : mapping of str to str
        "section: name" → source.
    methods : mapping of str to Method
    costs : tuple of UnitCost
    cap_usd : float or None
        Yearly cap in today's money; None: derived.
    reserve_usd : float or None
        What lies in the reserve now; None: to be told.
    by_option : frozenset of str
        Names whose value came from a command's option.
    """

    values: Mapping[str, Mapping[str, Any]]
    sources: Mapping[str, str]
    methods: Mapping[str, Method]
    costs: tuple[UnitCost, ...]
    cap_usd: float | None = None
    reserve_usd: float | None = None
    by_option: frozenset[str] = frozenset()

    def spread(self, section: str, name: str) -> Spread:
        """Return a range."""
        value = self.values[section][name]
        assert isinstance(value, Spread)
        return value

    def number(self, section: str, name: str) -> float:
        """Return a number."""
        return float(self.values[section][name])

    def whole(self, section: str, name: str) -> int:
        """Return a whole number."""
        return int(self.values[section][name])

    def text(self, section: str, name: str) -> str:
        """Return a text."""
        return str(self.values[section][name])

    @property
    def horizon_years(self) -> int:
        """Years looked ahead."""
        return self.whole("look_ahead", "horizon_years")

    def changed(
        self, *, horizon: int | None = None, draws: int | None = None, balance: float | None = None,
        cap: float | None = None,
    ) -> Assumptions:  # fmt: skip
        """Return the assumptions with what a command's options say instead.

        Raises
        ------
        SettingsError
            An option is impossible.
        """
        values = {section: dict(entries) for section, entries in self.values.items()}
        changed: set[str] = set()
        for name, given in (("horizon_years", horizon), ("draws", draws)):
            if given is not None:
                values["look_ahead"][name] = given
                changed.add(name)
        check_ranges(values, where="the options")
        for name, sum_ in (("--reserve", balance), ("--cap", cap)):
            if sum_ is not None and not 0 <= sum_ <= LARGEST:
                raise SettingsError(
                    f"{name} {sum_:g}: this is no sum of money from 0 to {LARGEST:,.0f} US dollars. Correct it."
                )
        return replace(self, values=values, cap_usd=cap, reserve_usd=balance, by_option=frozenset(changed))

    def _source(self, section: str, name: str) -> str:
        return "set for this run" if name in self.by_option else self.sources[f"{section}: {name}"]

    def method(self, section: str) -> Method:
        """Return the method that a policy names.

        Raises
        ------
        SettingsError
            There is no such method.
        """
        name = self.text(section, "method")
        if name not in self.methods:
            known = ", ".join(self.methods)
            raise SettingsError(
                f"{FILE}, [{section}], method: unknown method '{name}'. Use one of: {known}; or describe it as [method.{name}]."
            )
        return self.methods[name]

    def table(self, costs: tuple[UnitCost, ...]) -> pl.DataFrame:
        """Every assumption as a row, with the prices that are used: `position, name, value, source`."""
        rows = [
            (f"{_words(section)}: {_words(name)}", _shown(value), self._source(section, name))
            for section, entries in self.values.items()
            for name, value in entries.items()
        ]
        rows += [
            (
                f"method {_words(method.name)}",
                f"new pipe of {_words(method.material)}"
                + (f"; not for {', '.join(_words(m) for m in method.not_for)}" if method.not_for else ""),
                method.source,
            )
            for method in self.methods.values()
        ]
        rows += [
            (_cost_name(cost), f"{_shown(cost.usd)} US dollars of {cost.base_year} {cost.unit}", cost.source)
            for cost in costs
        ]
        return pl.DataFrame(
            [(position, *row) for position, row in enumerate(rows, start=1)],
            schema={"position": pl.Int64, "name": pl.String, "value": pl.String, "source": pl.String},
            orient="row",
        )


def _words(code: str) -> str:
    return code.replace("_", " ")


def _shown(value: Any) -> str:
    if isinstance(value, Spread):
        return f"{value.low:,g} / {value.likely:,g} / {value.high:,g}"
    if isinstance(value, Mapping):
        return ", ".join(f"{_words(name)} {age:g}" for name, age in value.items())
    if isinstance(value, bool):
        return "yes" if value else "no"
    # A year takes no comma.
    return (
        f"{value:g}"
        if isinstance(value, int | float) and abs(value) < 10_000
        else f"{value:,}"
        if not isinstance(value, str)
        else value
    )


def _cost_name(cost: UnitCost) -> str:
    size = None if cost.diameter_in is None else f"{cost.diameter_in:g} in"
    return ", ".join(
        str(part) for part in (f"price of {_words(cost.method)}", size, cost.depth_band, cost.surface) if part
    )


def check_ranges(values: Mapping[str, Mapping[str, Any]], *, where: str) -> None:
    """Refuse a horizon and a number of draws that cannot be worked; raises SettingsError."""
    horizon, draws = values["look_ahead"]["horizon_years"], values["look_ahead"]["draws"]
    if not 1 <= horizon <= LONGEST_HORIZON:
        raise SettingsError(
            f"{where}: a horizon of {horizon} years cannot be budgeted. Give one from 1 to {LONGEST_HORIZON} years."
        )
    if not 1 <= draws <= MOST_DRAWS:
        raise SettingsError(f"{where}: {draws} draws cannot be simulated. Give from 1 to {MOST_DRAWS:,}.")
