"""The assumptions behind replacement budgets: one editable file, read and checked; `assumed` has what it says."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from pipeline import rule_files
from pipeline.assumed import EACH, FILE, NEW_MATERIALS, PER_FOOT, Assumptions, Method, UnitCost, check_ranges
from pipeline.errors import SettingsError
from pipeline.settings import Workspace
from pipeline.toml_values import (
    ages_of,
    flag_of,
    number_of,
    only_known,
    rate_of,
    share_of,
    shares_of,
    spread_of,
    text_of,
    whole_of,
)
from pipeline.vocabulary import Material
from pipeline.whole_files import write_whole

NOT_IN_FILE = "shipped; not in your file"
#: Everything the file has, and in which order it is told. Kinds: s spread, r rate, n number from 0 up,
#: w whole number from 1 up, t text, f flag, o share 0 to 1, p spread of shares, g mapping of materials to ages.
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
    "spot_repair": {"share": "p", "each_unless_listed_usd": "s"},
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
    check_ranges(values, where=FILE)
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
    "p": shares_of,
    "g": ages_of,
}


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
