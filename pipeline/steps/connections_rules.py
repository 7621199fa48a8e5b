"""The assumptions behind the ranking of connections: read, checked, and told with the result.

They are data (`pipeline/rules/consequences.toml`, or the workspace's own copy).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl

from models.money import Spread
from pipeline import rule_files
from pipeline.columns import LAST_YEAR
from pipeline.errors import SettingsError
from pipeline.settings import Workspace
from pipeline.toml_values import number_of, only_known, spread_of, text_of, whole_of
from pipeline.vocabulary import LateralPart

FILE = "consequences.toml"
#: Connections for each place of the list, at least.
LEAST_PER_PLACE = 4
#: What a weight may hang on, and whether it is a number.
FACTORS = {
    "main_depth_ft": True,
    "street_class": False,
    "near_water": False,
    "infiltration": False,
    "sharing_manhole": True,
}
SECTIONS = ("ranking", "prices", "per_foot", "lower_lateral", "cost", "weight")


@dataclass(frozen=True, slots=True)
class Price:
    """A price as a range [US dollars]."""

    low: float
    likely: float
    high: float

    def words(self) -> str:
        """The range for people."""
        return f"{self.likely:,.0f} ({self.low:,.0f} to {self.high:,.0f})"


@dataclass(frozen=True, slots=True)
class CostBand:
    """What one connection costs on a main of this depth or more."""

    at_least_ft: float
    each: Price
    source: str


@dataclass(frozen=True, slots=True)
class Weight:
    """How many times worse a failure is where this holds.

    Attributes
    ----------
    factor : str
        One of `FACTORS`.
    at_least : float or None
        For numbers.
    is_value : str or None
        For words; "true" for flags.
    times : float
        Above 0.
    because, source : str
        For people.
    parts : tuple of str
        Codes of the parts of the lateral for which it counts.
    """

    factor: str
    at_least: float | None
    is_value: str | None
    times: float
    because: str
    source: str
    parts: tuple[str, ...] = LateralPart.codes()

    def words(self) -> str:
        """The weight for people, and for which parts it does not count."""
        others = ", ".join(part.label for part in LateralPart if part not in self.parts)
        return f"× {self.times:g}{f'; not for the {others}' if others else ''}"


@dataclass(frozen=True, slots=True)
class LowerLateral:
    """How far the lower lateral reaches from the main, where the property line is not on record.

    Attributes
    ----------
    street_class : str or None
        Class of street for which it holds; None for all that have no own one.
    length_ft : Spread
        From the property line to the main [ft].
    source : str
        Where that comes from.
    """

    street_class: str | None
    length_ft: Spread
    source: str

    def where(self) -> str:
        """Where it holds, for people."""
        return "" if self.street_class is None else f" under a street of class {self.street_class}"

    def words(self) -> str:
        """The length for people."""
        feet = self.length_ft
        return f"{feet.likely:g} ft ({feet.low:g} to {feet.high:g}) where the property line is not on record"


@dataclass(frozen=True, slots=True)
class Consequences:
    """Everything in the file.

    Attributes
    ----------
    part : str
        Code of the `LateralPart` that is shown first; all of them are ranked.
    list_length : int
        Places of the list whose membership is told.
    share_within_ft : float or None
        Gap within which neighbours share a mobilisation [ft]; None: the whole main does.
    base_year, index : int, str
        Of the prices.
    mobilisation, per_foot : Price
        Per bundle; per foot of pipe of the ranked part.
    unknown_length_ft : float
        Taken where a line's length is not on record.
    lower_laterals : tuple of LowerLateral
        One without a class of street, and one for each class that differs.
    costs : tuple of CostBand
        Rising depth; the first starts at 0.
    weights : tuple of Weight
        In the order of the file.
    sources : mapping of str to str
        Of mobilisation and per_foot.
    """

    part: str
    list_length: int
    share_within_ft: float | None
    base_year: int
    index: str
    mobilisation: Price
    per_foot: Price
    unknown_length_ft: float
    lower_laterals: tuple[LowerLateral, ...]
    costs: tuple[CostBand, ...]
    weights: tuple[Weight, ...]
    sources: Mapping[str, str]

    def assumptions(self) -> pl.DataFrame:
        """Every assumption as a row: `position, name, value, source`."""
        share = (
            "one main"
            if self.share_within_ft is None
            else f"stretches with gaps up to {self.share_within_ft:g} ft"
        )
        rows = [
            ("part shown first", LateralPart.of(self.part).meaning, "local rule of ownership"),
            (
                "places of the list",
                f"{self.list_length:,}, and no more than one for every {LEAST_PER_PLACE} connections",
                "choice",
            ),
            ("mobilisation is shared along", share, self.sources["mobilisation"]),
            ("prices", f"US dollars of {self.base_year}; carry them forward with {self.index}", "choice"),
            ("mobilisation [US dollars]", self.mobilisation.words(), self.sources["mobilisation"]),
        ]
        rows += [
            (
                f"one connection, main {band.at_least_ft:g} ft deep or more [US dollars]",
                band.each.words(),
                band.source,
            )
            for band in self.costs
        ]
        rows += [
            (
                "each foot of pipe, but of the tie-in alone [US dollars]",
                self.per_foot.words(),
                self.sources["per_foot"],
            ),
            ("length where not on record", f"{self.unknown_length_ft:g} ft", self.sources["per_foot"]),
        ]
        rows += [(f"lower lateral{row.where()}", row.words(), row.source) for row in self.lower_laterals]
        rows += [(f"weight: {w.because}", w.words(), w.source) for w in self.weights]
        return pl.DataFrame(rows, schema=["name", "value", "source"], orient="row").with_row_index(
            "position", 1
        )


def consequences(workspace: Workspace) -> Consequences:
    """Read the workspace's assumptions, or the shipped ones.

    Raises
    ------
    SettingsError
        The file says something impossible; the sentence names the place.
    """
    return parse(rule_files.own_or_shipped_text(workspace.root, FILE))


def parse(text: str) -> Consequences:
    """Turn the file's text into assumptions.

    Raises
    ------
    SettingsError
        As in `consequences`.
    """
    plain = rule_files.parsed(text, FILE)
    _only(plain, SECTIONS, "the file")
    ranking, prices, per_foot = (_block(plain, name) for name in ("ranking", "prices", "per_foot"))
    _only(ranking, ("part", "list_length", "share_within_ft"), "[ranking]")
    _only(prices, ("base_year", "index", "mobilisation_usd", "source"), "[prices]")
    _only(per_foot, ("usd", "length_ft_where_unknown", "source"), "[per_foot]")
    if ranking.get("part") not in LateralPart.codes():
        raise SettingsError(
            f"{FILE}, [ranking] part: {ranking.get('part')!r} is unknown. Use one of: {', '.join(LateralPart.codes())}."
        )
    share = ranking.get("share_within_ft")
    year = _number(prices, "base_year", "[prices]", low=1990, high=LAST_YEAR)
    return Consequences(
        part=str(ranking["part"]),
        list_length=whole_of(ranking.get("list_length"), f"{FILE}, [ranking], list_length"),
        share_within_ft=None if share is None else _number(ranking, "share_within_ft", "[ranking]"),
        base_year=int(year),
        index=_words(prices, "index", "[prices]"),
        mobilisation=_price(prices, "mobilisation_usd", "[prices]", least=0.0),
        per_foot=_price(per_foot, "usd", "[per_foot]", least=0.0),
        unknown_length_ft=_number(per_foot, "length_ft_where_unknown", "[per_foot]"),
        lower_laterals=_lower_laterals(_blocks(plain, "lower_lateral")),
        costs=_costs(_blocks(plain, "cost")),
        weights=tuple(
            _weight(entry, f"[[weight]] {n}") for n, entry in enumerate(_blocks(plain, "weight"), 1)
        ),
        sources={
            "mobilisation": _words(prices, "source", "[prices]"),
            "per_foot": _words(per_foot, "source", "[per_foot]"),
        },
    )


def _lower_laterals(entries: list[dict[str, Any]]) -> tuple[LowerLateral, ...]:
    found: dict[str | None, LowerLateral] = {}
    for n, entry in enumerate(entries, 1):
        where = f"[[lower_lateral]] {n}"
        _only(entry, ("street_class", "length_ft", "source"), where)
        street = _words(entry, "street_class", where).lower() if "street_class" in entry else None
        if street in found:
            raise SettingsError(f"{FILE}, {where}: this street_class has a block already. Keep one of them.")
        length = _spread(entry, "length_ft", where, least=1.0)
        found[street] = LowerLateral(street, length, _words(entry, "source", where))
    if None not in found:
        raise SettingsError(
            f"{FILE}: write one [[lower_lateral]] block without street_class; it applies where no other does."
        )
    return tuple(found.values())


def _costs(entries: list[dict[str, Any]]) -> tuple[CostBand, ...]:
    bands = []
    for n, entry in enumerate(entries, 1):
        where = f"[[cost]] {n}"
        _only(entry, ("at_least_ft", "each_usd", "source"), where)
        # A connection that costs nothing would be renewed whatever its chance.
        price = _price(entry, "each_usd", where, least=0.01)
        bands.append(CostBand(_number(entry, "at_least_ft", where), price, _words(entry, "source", where)))
    bands.sort(key=lambda band: band.at_least_ft)
    if not bands or bands[0].at_least_ft != 0:
        raise SettingsError(
            f"{FILE}: write one [[cost]] block with at_least_ft = 0; it applies where no deeper one does."
        )
    return tuple(bands)


def _weight(entry: dict[str, Any], where: str) -> Weight:
    _only(entry, ("factor", "at_least", "is", "times", "because", "source", "parts"), where)
    factor = entry.get("factor")
    if factor not in FACTORS:
        raise SettingsError(
            f"{FILE}, {where}, factor: {factor!r} is unknown. Use one of: {', '.join(FACTORS)}."
        )
    is_number = FACTORS[factor]
    if is_number != ("at_least" in entry) or is_number == ("is" in entry):
        wanted = "at_least = a number" if is_number else 'is = "a word"'
        raise SettingsError(
            f"{FILE}, {where}: a weight of {factor} has {wanted}, and nothing else to compare with."
        )
    times = _number(entry, "times", where)
    if times <= 0:
        raise SettingsError(f"{FILE}, {where}, times: {times:g} is not above 0. Use 1 for no difference.")
    return Weight(
        factor=factor,
        at_least=_number(entry, "at_least", where) if is_number else None,
        is_value=None if is_number else _words(entry, "is", where).lower(),
        times=times,
        because=_words(entry, "because", where),
        source=_words(entry, "source", where),
        parts=_parts(entry, where),
    )


def _parts(entry: dict[str, Any], where: str) -> tuple[str, ...]:
    given = entry.get("parts", list(LateralPart.codes()))
    if not isinstance(given, list) or not given or any(part not in LateralPart.codes() for part in given):
        raise SettingsError(
            f"{FILE}, {where}, parts: write a list of one or more of: {', '.join(LateralPart.codes())}."
        )
    return tuple(part for part in LateralPart.codes() if part in given)


def _block(plain: dict[str, Any], name: str) -> dict[str, Any]:
    block = plain.get(name)
    if not isinstance(block, dict):
        raise SettingsError(f"{FILE}: the block [{name}] is missing. Copy it from the shipped file.")
    return block


def _blocks(plain: dict[str, Any], name: str) -> list[dict[str, Any]]:
    blocks = plain.get(name, [])
    if not isinstance(blocks, list) or not all(isinstance(block, dict) for block in blocks):
        raise SettingsError(f"{FILE}: write [[{name}]] with two brackets for each {name}.")
    return blocks


def _only(entry: Mapping[str, Any], allowed: tuple[str, ...], where: str) -> None:
    only_known(entry, allowed, f"{FILE}, {where}")


def _number(entry: Mapping[str, Any], name: str, where: str, **limits: float) -> float:
    return number_of(entry.get(name), f"{FILE}, {where}, {name}", **limits)


def _words(entry: Mapping[str, Any], name: str, where: str) -> str:
    return text_of(entry.get(name), f"{FILE}, {where}, {name}")


def _spread(entry: Mapping[str, Any], name: str, where: str, *, least: float) -> Spread:
    return spread_of(entry.get(name), f"{FILE}, {where}, {name}", least=least)


def _price(entry: Mapping[str, Any], name: str, where: str, *, least: float) -> Price:
    spread = _spread(entry, name, where, least=least)
    return Price(spread.low, spread.likely, spread.high)
