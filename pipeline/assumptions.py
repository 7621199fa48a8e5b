"""The assumptions behind replacement budgets: one editable file, checked, and printed with every result."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import polars as pl

from models.money import Spread
from models.renewal import LONGEST_HORIZON
from pipeline import rule_files
from pipeline.errors import SettingsError
from pipeline.settings import Workspace
from pipeline.toml_values import (
    LARGEST,
    ages_of,
    flag_of,
    number_of,
    only_known,
    rate_of,
    share_of,
    spread_of,
    text_of,
    whole_of,
)
from pipeline.vocabulary import Material
from pipeline.whole_files import write_whole

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
NOT_IN_FILE = "shipped; not in your file"
#: Everything the file has, and in which order it is told. Kinds: s spread, r rate, n number from 0 up,
#: w whole number from 1 up, t text, f flag, o share 0 to 1, g mapping of materials to ages.
SECTIONS: dict[str, dict[str, str]] = {
    "prices": {
        "base_year": "w",
        "index": "t",
        "escalation_rate": "r",
        "discount_rate": "r",
        "interest_rate": "r",
    },
    "look_ahead": {"horizon_years": "w", "draws": "w"},
    "site": {
        "surface": "t",
        "length_ft_where_unknown": "n",
        "depth_ft_where_unknown": "n",
        "diameter_in_where_unknown": "n",
    },
    "trouble": {"years_until_trouble": "s", "surcharge_factor": "s", "cleanup_usd": "s", "method": "t"},
    "job": {"mobilisation_usd": "s"},
    "camera": {"visit_usd": "s"},
    "inspect_then_act": {"cycle_years": "w", "is_confirmed": "f", "method": "t"},
    "replace_by_age": {"backlog_years": "w", "method": "t", "ages_years": "g"},
    "reline_ahead": {
        "from_age_years": "n",
        "programme_years": "w",
        "method": "t",
        "cannot_be_lined_share": "o",
    },
    "within_a_cap": {"method": "t"},
    "reserve": {"confidence": "o"},
    "new_pipe": {"is_checked_at_handover": "f"},
}
COST_KEYS = {"method", "diameter_in", "depth_band", "surface", "unit", "usd", "source"}
METHOD_KEYS = {"material", "not_for", "source"}
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
        _check_ranges(values, where="the options")
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


def read_assumptions(workspace: Workspace) -> Assumptions:
    """Read the workspace's assumptions, or the shipped ones.

    Raises
    ------
    SettingsError
        The file says something impossible; the sentence names the place.
    """
    return parse_assumptions(rule_files.own_or_shipped_text(workspace.root, FILE))


def shipped_text() -> str:
    """Return the shipped file, to be copied into a workspace."""
    return rule_files.shipped_text(FILE)


def write_own_copy(workspace: Workspace) -> None:
    """Put the shipped file into the workspace, unless there is one already."""
    own = workspace.root / FILE
    if not own.exists():
        workspace.create()
        write_whole(own, shipped_text())


def parse_assumptions(text: str) -> Assumptions:
    """Turn the file's text into assumptions; raises as `read_assumptions`."""
    plain = rule_files.parsed(text, FILE)
    _only(plain, {*SECTIONS, "method", "cost"}, "the file")
    values: dict[str, dict[str, Any]] = {}
    sources: dict[str, str] = {}
    shipped = rule_files.parsed(shipped_text(), FILE)
    for section, kinds in SECTIONS.items():
        entries = plain.get(section, {})
        if not isinstance(entries, dict):
            raise SettingsError(f"{FILE}, {section}: write it as [{section}] with lines below it.")
        _only(entries, {*kinds, "source"}, f"[{section}]")
        # A copy from before an update lacks what came since: the shipped value stands in, and that is told.
        given = {name: (entries if name in entries else shipped[section])[name] for name in kinds}
        values[section] = {
            name: _READ[kind](given[name], f"{FILE}, [{section}], {name}") for name, kind in kinds.items()
        }
        own_source = str(entries.get("source", "not stated"))
        for name in kinds:
            sources[f"{section}: {name}"] = own_source if name in entries else NOT_IN_FILE
    _check_ranges(values, where=FILE)
    base_year = int(values["prices"]["base_year"])
    return Assumptions(
        values=values,
        sources=sources,
        methods=_methods(plain.get("method")),
        costs=_costs(plain.get("cost"), base_year),
    )


def _only(plain: Mapping[str, Any], allowed: set[str], where: str) -> None:
    only_known(plain, sorted(allowed), f"{FILE}, {where}")


_READ: dict[str, Callable[[Any, str], Any]] = {
    "s": spread_of,
    "r": rate_of,
    "n": number_of,
    "w": whole_of,
    "t": text_of,
    "f": flag_of,
    "o": share_of,
    "g": ages_of,
}


def _check_ranges(values: Mapping[str, Mapping[str, Any]], *, where: str) -> None:
    horizon, draws = values["look_ahead"]["horizon_years"], values["look_ahead"]["draws"]
    if not 1 <= horizon <= LONGEST_HORIZON:
        raise SettingsError(
            f"{where}: a horizon of {horizon} years cannot be budgeted. Give one from 1 to {LONGEST_HORIZON} years."
        )
    if not 1 <= draws <= MOST_DRAWS:
        raise SettingsError(f"{where}: {draws} draws cannot be simulated. Give from 1 to {MOST_DRAWS:,}.")


def _methods(plain: Any) -> dict[str, Method]:
    if not isinstance(plain, dict) or not plain:
        raise SettingsError(f"{FILE}: describe at least one method as [method.NAME].")
    methods = {}
    for name, entry in plain.items():
        where = f"[method.{name}]"
        if not isinstance(entry, dict):
            raise SettingsError(f"{FILE}, {where}: write it with material and not_for.")
        _only(entry, METHOD_KEYS, where)
        material, not_for = entry.get("material"), entry.get("not_for", [])
        if material not in NEW_MATERIALS:
            raise SettingsError(
                f"{FILE}, {where}, material: {material!r} is not laid new. Use one of: {', '.join(NEW_MATERIALS)}."
            )
        if not isinstance(not_for, list) or any(m not in Material.codes() for m in not_for):
            raise SettingsError(f"{FILE}, {where}, not_for: write a list of materials.")
        methods[name] = Method(
            name=name,
            material=material,
            not_for=tuple(not_for),
            source=str(entry.get("source", "not stated")),
        )
    return methods


def _costs(plain: Any, base_year: int) -> tuple[UnitCost, ...]:
    if plain is None:
        return ()
    if not isinstance(plain, list):
        raise SettingsError(f"{FILE}: write prices as [[cost]] blocks.")
    return tuple(_cost(entry, number, base_year) for number, entry in enumerate(plain, start=1))


def _cost(entry: Any, number: int, base_year: int) -> UnitCost:
    where = f"[[cost]] number {number}"
    if not isinstance(entry, dict):
        raise SettingsError(f"{FILE}, {where}: write prices as [[cost]] blocks.")
    _only(entry, COST_KEYS, where)
    if "usd" not in entry:
        raise SettingsError(
            f"{FILE}, {where}: its price is missing. Add usd = {{ low = 100, likely = 150, high = 250 }}."
        )
    unit = entry.get("unit", PER_FOOT)
    if unit not in {PER_FOOT, EACH}:
        raise SettingsError(f"{FILE}, {where}, unit: {unit!r} is unknown. Use '{PER_FOOT}' or '{EACH}'.")
    diameter = entry.get("diameter_in")
    words = {
        name: text_of(entry[name], f"{FILE}, {where}, {name}") if name in entry else None
        for name in ("depth_band", "surface")
    }
    return UnitCost(
        method=text_of(entry.get("method"), f"{FILE}, {where}, method"),
        diameter_in=None if diameter is None else number_of(diameter, f"{FILE}, {where}, diameter_in"),
        depth_band=words["depth_band"],
        surface=words["surface"],
        unit=unit,
        usd=spread_of(entry["usd"], f"{FILE}, {where}, usd"),
        base_year=base_year,
        source=str(entry.get("source", "not stated")),
    )
