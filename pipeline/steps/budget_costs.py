"""Which unit cost applies to which pipe, and what prices may be in each draw."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from models.looks import FloatArray, IntArray
from models.money import Spread, pert_quantile
from models.renewal_stock import Prices, SpotRepair, Works
from pipeline.assumed import EACH, PER_FOOT, Assumptions, Method, UnitCost
from pipeline.errors import SettingsError

LOADED = "loaded table of unit costs"
#: Method under which unit costs may list mending one spot.
SPOT_REPAIR = "spot_repair"
_NUMBER = r"(\d+(?:\.\d+)?)"
_BETWEEN = re.compile(rf"^{_NUMBER}\s*(?:-|–|to)\s*{_NUMBER}")
_FROM = re.compile(
    rf"^(?:over|above|from|>=?|more than)\s*{_NUMBER}|^{_NUMBER}\s*(?:\+|and (?:over|more|deeper))"
)
_UP_TO = re.compile(rf"^(?:under|below|up to|<=?|less than)\s*{_NUMBER}")


def depth_range(band: str) -> tuple[float, float]:
    """Read a depth band such as "0-6 ft", "over 10 ft" or "up to 6 ft".

    Raises
    ------
    SettingsError
        It cannot be read.
    """
    words = band.strip().lower()
    if found := _BETWEEN.match(words):
        return float(found[1]), float(found[2])
    if found := _FROM.match(words):
        return float(found[1] or found[2]), float("inf")
    if found := _UP_TO.match(words):
        return 0.0, float(found[1])
    raise SettingsError(
        f"Unit costs, depth band '{band}': cannot be read. Write it like '0-6 ft', 'up to 6 ft' or 'over 10 ft'."
    )


def loaded_costs(frame: pl.DataFrame) -> tuple[UnitCost, ...]:
    """Turn published unit costs into what the assumptions' own are.

    Raises
    ------
    SettingsError
        A unit is neither per foot nor each, or a price is missing, negative or out of order.
    """
    found = []
    for row in frame.iter_rows(named=True):
        place = f"Unit costs, method '{row['method']}'"
        unit = (row["unit"] or PER_FOOT).strip().lower()
        if unit not in {PER_FOOT, EACH}:
            raise SettingsError(f"{place}: unit '{row['unit']}' is unknown. Use '{PER_FOOT}' or '{EACH}'.")
        found.append(
            UnitCost(
                method=row["method"].strip().lower().replace(" ", "_"),
                diameter_in=row["diameter_in"],
                depth_band=row["depth_band"],
                surface=row["surface"],
                unit=unit,
                usd=_usd(row, place),
                base_year=row["base_year"],
                source=LOADED,
            )
        )
    return tuple(found)


def _usd(row: dict[str, float | None], place: str) -> Spread:
    values = [row[f"{end}_usd"] for end in ("low", "likely", "high")]
    if any(value is None for value in values):
        raise SettingsError(f"{place}: a price is missing. Load the table again with low, likely and high.")
    low, likely, high = (float(value) for value in values if value is not None)
    if min(low, likely, high) < 0 or not low <= likely <= high:
        raise SettingsError(
            f"{place}: the prices {low:g}, {likely:g}, {high:g} are negative or do not rise. Correct and load them again."
        )
    return Spread(low, likely, high)


@dataclass(frozen=True, kw_only=True)
class CostTable:
    """Prices that are in use, and their draws in today's money.

    Attributes
    ----------
    costs : tuple of UnitCost
        One for each row of `price`.
    price : ndarray, shape (n_costs, n_draws)
        Per unit, in today's money.
    others : Prices
        What does not depend on the method.
    spot_share : ndarray, shape (n_draws,)
        Of pipes that need repair, those where mending one spot is enough.
    """

    costs: tuple[UnitCost, ...]
    price: FloatArray
    others: Prices
    spot_share: FloatArray


def draw_prices(
    assumptions: Assumptions,
    costs: Sequence[UnitCost],
    methods: Sequence[Method],
    *,
    as_of_year: float,
    rng: np.random.Generator,
) -> CostTable:
    """Draw what everything costs.

    Parameters
    ----------
    assumptions : Assumptions
        Ranges and rates.
    costs : sequence of UnitCost
        All that are known; those of `methods` and of spot repairs are kept.
    methods : sequence of Method
        What policies use.
    as_of_year : float
        Today, to which prices of their base year are brought by the escalation rate.
    rng : numpy.random.Generator

    Returns
    -------
    CostTable

    Raises
    ------
    SettingsError
        A method has no price.

    Notes
    -----
    All prices of one method stand at the same quantile of their ranges in a draw: a dear contractor is dear at
    every lot, so this does not average away over a portfolio.
    """
    names = list(dict.fromkeys(method.name for method in methods))
    kept = tuple(cost for cost in costs if cost.method in names)
    for name in names:
        if not any(cost.method == name for cost in kept):
            known = ", ".join(sorted({cost.method for cost in costs})) or "none"
            raise SettingsError(
                f"Method '{name}' has no unit cost (there are prices of: {known}). Add one to assumptions.toml or load it."
            )
    kept += _of_spots(assumptions, costs)
    n = assumptions.whole("look_ahead", "draws")
    rate = assumptions.number("prices", "escalation_rate")
    level = {name: rng.random(n) for name in names}
    to_now = (1 + rate) ** (as_of_year - assumptions.number("prices", "base_year"))

    def drawn(section: str, name: str) -> FloatArray:
        spread = assumptions.spread(section, name)
        return pert_quantile(spread.low, spread.likely, spread.high, rng.random(n))

    others = Prices(
        mobilisation=drawn("job", "mobilisation_usd") * to_now,
        emergency_factor=drawn("trouble", "surcharge_factor"),
        cleanup=drawn("trouble", "cleanup_usd") * to_now,
        camera=drawn("camera", "visit_usd") * to_now,
        trouble_delay_years=drawn("trouble", "years_until_trouble"),
    )
    # Drawn after all else: what was drawn before there were spot repairs stays as it was.
    level[SPOT_REPAIR] = rng.random(n)
    price = np.stack(
        [
            pert_quantile(cost.usd.low, cost.usd.likely, cost.usd.high, level[cost.method])
            * (1 + rate) ** (as_of_year - cost.base_year)
            for cost in kept
        ]
    )
    return CostTable(costs=kept, price=price, others=others, spot_share=drawn("spot_repair", "share"))


def _of_spots(assumptions: Assumptions, costs: Sequence[UnitCost]) -> tuple[UnitCost, ...]:
    """Unit costs of mending one spot: those listed, else the one of the assumptions."""
    listed = tuple(cost for cost in costs if cost.method == SPOT_REPAIR)
    usual = UnitCost(
        method=SPOT_REPAIR,
        diameter_in=None,
        depth_band=None,
        surface=None,
        unit=EACH,
        usd=assumptions.spread("spot_repair", "each_unless_listed_usd"),
        base_year=assumptions.whole("prices", "base_year"),
        source=assumptions.sources["spot_repair: each_unless_listed_usd"],
    )
    return listed or (usual,)


def spot_repairs(table: CostTable, pipes: pl.DataFrame, assumptions: Assumptions) -> SpotRepair:
    """Price of mending one spot of every pipe; parameters and faults as in `works_by`."""
    method = Method(name=SPOT_REPAIR, material="", not_for=(), source="")
    works = works_by(method, table, pipes, np.zeros(pipes.height, dtype=np.int64), assumptions)
    return SpotRepair(works.price, works.row, works.units, table.spot_share)


def works_by(
    method: Method, table: CostTable, pipes: pl.DataFrame, laws: IntArray, assumptions: Assumptions
) -> Works:
    """Price and law of every pipe under a method.

    Parameters
    ----------
    method : Method
    table : CostTable
    pipes : DataFrame
        `material, diameter_in, depth_ft, length_ft` of each, without gaps.
    laws : ndarray of int, shape (n_pipes,)
        Law of new pipe of the method's material at each place.
    assumptions : Assumptions
        Surface.

    Raises
    ------
    SettingsError
        No price of the method is for this surface.
    """
    surface = assumptions.text("site", "surface")
    of_method = [(row, cost) for row, cost in enumerate(table.costs) if cost.method == method.name]
    fitting = [(row, cost) for row, cost in of_method if cost.surface in {None, surface}]
    if not fitting:
        known = ", ".join(sorted({str(cost.surface) for _, cost in of_method}))
        raise SettingsError(
            f"assumptions.toml, [site], surface: method '{method.name}' has no price for '{surface}'. Use one of: {known}."
        )
    kinds = pipes.select("diameter_in", "depth_ft").unique()
    chosen = [_row_for(fitting, diameter, depth) for diameter, depth in kinds.iter_rows()]
    rows = pipes.select("diameter_in", "depth_ft").join(
        kinds.with_columns(row=pl.Series(chosen, dtype=pl.Int64)),
        on=["diameter_in", "depth_ft"],
        how="left",
        maintain_order="left",
    )["row"]
    fits = ~pipes["material"].is_in(list(method.not_for))
    row = np.where(fits.to_numpy(), rows.to_numpy(), -1)
    is_each = np.array([cost.unit == EACH for cost in table.costs])[rows.to_numpy()]
    return Works(
        price=table.price,
        row=row.astype(np.int64),
        units=np.where(is_each, 1.0, pipes["length_ft"].to_numpy()),
        law=laws,
    )


def _row_for(fitting: Sequence[tuple[int, UnitCost]], diameter: float, depth: float) -> int:
    """The price whose depth band holds the pipe (else the nearest), then the nearest diameter."""

    def distance(cost: UnitCost) -> tuple[float, float]:
        low, high = (0.0, float("inf")) if cost.depth_band is None else depth_range(cost.depth_band)
        # A depth on the edge of two bands belongs to the deeper one.
        apart = 0.0 if low <= depth < high else min(abs(depth - low), abs(depth - high)) + 1e-9
        size = 0.0 if cost.diameter_in is None else abs(cost.diameter_in - diameter)
        return apart, size

    return min(fitting, key=lambda pair: distance(pair[1]))[0]
