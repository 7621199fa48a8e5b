"""From published tables to the arrays of a simulation: chosen lots, their pipes, and the laws those follow."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from models.laws import standard_form
from models.looks import FloatArray, IntArray
from models.renewal_stock import Float32Array, Laws, Stock
from pipeline.assumed import Assumptions
from pipeline.errors import FitError
from pipeline.steps.budget_town import SIMILAR_WITHIN_YEARS, Town, matrix

NEW_ERA = "1980_on"


@dataclass(frozen=True, kw_only=True)
class Portfolio:
    """Chosen lots ready to be simulated, but for prices.

    Attributes
    ----------
    lots : DataFrame
        Simulated lots in order: `lot_id, address, key, year_built, is_borrowed`.
    left_out : DataFrame
        `lot_id, address`: lots of which too little is known.
    pieces : DataFrame
        One for each decision piece: `lot` (position), `lot_id, sequence` (NULL: the whole line), `material, age`, in
        order.
    pipes : DataFrame
        Pipes in order, gaps filled: `material, diameter_in, depth_ft, length_ft, site, area`.
    stock : Stock
    laws : Laws
    law_code : DataFrame
        `pipe, site, area, law` (row of `laws`).
    """

    lots: pl.DataFrame
    left_out: pl.DataFrame
    pieces: pl.DataFrame
    pipes: pl.DataFrame
    stock: Stock
    laws: Laws
    law_code: pl.DataFrame

    def laws_of_new(self, material: str) -> IntArray:
        """Law of new pipe of a material in the place of each pipe."""
        wanted = self.pipes.select(pipe=pl.lit(f"{material}, {NEW_ERA}"), site="site", area="area")
        found = wanted.join(self.law_code, on=["pipe", "site", "area"], how="left", maintain_order="left")
        return found["law"].to_numpy().astype(np.int64)


def make_portfolio(
    town: Town,
    lot_ids: Sequence[str],
    assumptions: Assumptions,
    *,
    new_materials: Sequence[str],
    least_similar: int,
) -> Portfolio:
    """Make the arrays for chosen lots.

    Parameters
    ----------
    town : Town
    lot_ids : sequence of str
        Lots on record.
    assumptions : Assumptions
        What stands in for sizes that are not on record.
    new_materials : sequence of str
        Materials of new pipe that policies lay.
    least_similar : int
        Similar houses needed to speak for a line that is not on record.

    Raises
    ------
    FitError
        Nothing is known of any of the lots.
    """
    asked = town.lots.join(
        pl.DataFrame({"lot_id": list(dict.fromkeys(lot_ids))}), on="lot_id", how="semi"
    ).sort("key")
    described = town.pipes.select("lot_id").join(asked, on="lot_id", how="semi")
    own = asked.join(described, on="lot_id", how="semi").with_columns(is_borrowed=pl.lit(False))
    rest = asked.join(described, on="lot_id", how="anti")
    groups = _similar_houses(town.donors, rest["year_built"].drop_nulls().unique().sort(), least_similar)
    borrowed = rest.join(groups.select("year_built").unique(), on="year_built", how="semi").with_columns(
        is_borrowed=pl.lit(True)
    )
    lots = pl.concat([own, borrowed]).sort("key")
    if lots.is_empty():
        raise FitError(
            "No budget can be made: of none of these lots is the line, or the year of the building with enough similar "
            "houses, on record. Load their segments or year built first."
        )
    left_out = rest.join(borrowed, on="lot_id", how="anti").select("lot_id", "address")
    return _arranged(town, lots, left_out, groups, assumptions, new_materials)


def _similar_houses(donors: pl.DataFrame, years: pl.Series, least: int) -> pl.DataFrame:
    """`year_built, first, count, group`: seen lines under houses of about each year, as a run of sorted donors."""
    known = donors["year_built"].to_numpy()
    found = []
    for group, year in enumerate(years.to_list()):
        for window in SIMILAR_WITHIN_YEARS:
            first, last = np.searchsorted(known, [year - window, year + window + 1])
            if last - first >= least:
                found.append((year, int(first), int(last - first), group))
                break
    return pl.DataFrame(
        found,
        schema={"year_built": years.dtype, "first": pl.Int64, "count": pl.Int64, "group": pl.Int64},
        orient="row",
    )


def _arranged(
    town: Town,
    lots: pl.DataFrame,
    left_out: pl.DataFrame,
    groups: pl.DataFrame,
    assumptions: Assumptions,
    new_materials: Sequence[str],
) -> Portfolio:
    has_borrowed = bool(lots["is_borrowed"].any())
    own = lots.filter(~pl.col("is_borrowed")).select("lot_id")
    lenders, groups = _lenders(town.donors, groups)
    lines = pl.concat([own, lenders]).with_row_index("line").with_columns(pl.col("line").cast(pl.Int64))
    pipes = lines.join(town.pipes, on="lot_id").sort("line", "sequence")
    pipes = _without_gaps(pipes, assumptions)
    start = np.concatenate(
        ([0], np.cumsum(pipes.group_by("line", maintain_order=True).len()["len"].to_numpy()))
    )
    own_line = lines.head(own.height).select(
        "lot_id", first=pl.col("line"), count=pl.lit(1, pl.Int64), group=pl.lit(-1, pl.Int64)
    )
    placed = lots.join(own_line, on="lot_id", how="left", maintain_order="left")
    if has_borrowed:
        shifted = groups.with_columns(pl.col("first") + own.height)
        placed = placed.join(
            shifted, on="year_built", how="left", suffix="_lent", maintain_order="left"
        ).with_columns(pl.coalesce(name, f"{name}_lent") for name in ("first", "count", "group"))
    pieces = _pieces(placed, pipes)
    n_pieces = pieces.group_by("lot", maintain_order=True).len()["len"].to_numpy()
    entries, entry_start = _entries_of(town, pipes)
    law_code, laws = _laws(town.parts, entries, pipes, new_materials)
    coded = entries.join(law_code, on=["pipe", "site", "area"], how="left", maintain_order="left")
    failed_now, pipe_state = _states(town, pipes, coded, entry_start, laws)
    stock = Stock(
        lot_first=placed["first"].to_numpy().astype(np.int64),
        lot_count=placed["count"].to_numpy().astype(np.int64),
        lot_group=placed["group"].to_numpy().astype(np.int64),
        lot_key=placed["key"].to_numpy().astype(np.int64),
        choice=np.arange(lines.height, dtype=np.int64),
        line_start=start.astype(np.int64),
        lot_piece=(np.cumsum(n_pieces) - n_pieces).astype(np.int64),
        n_pieces=int(n_pieces.sum()),
        failed_now=failed_now,
        pipe_state=pipe_state,
        entry_start=entry_start,
        entry_law=coded["law"].to_numpy().astype(np.int64),
        entry_age=coded["age"].to_numpy(),
        entry_weight=coded["weight"].to_numpy(),
    )
    return Portfolio(
        lots=lots,
        left_out=left_out,
        pieces=pieces,
        pipes=pipes.select("material", "diameter_in", "depth_ft", "length_ft", "site", "area"),
        stock=stock,
        laws=laws,
        law_code=law_code,
    )


def _lenders(donors: pl.DataFrame, groups: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Lots of the donors that any group takes, and the groups' runs among them."""
    is_taken = np.zeros(donors.height, dtype=np.bool_)
    for first, count in groups.select("first", "count").iter_rows():
        is_taken[first : first + count] = True
    before: IntArray = np.cumsum(is_taken) - is_taken
    moved = groups.with_columns(first=pl.Series(before[groups["first"].to_numpy()], dtype=pl.Int64))
    return donors.filter(pl.Series(is_taken)).select("lot_id"), moved


def _states(
    town: Town, pipes: pl.DataFrame, entries: pl.DataFrame, start: IntArray, laws: Laws
) -> tuple[Float32Array, IntArray]:
    """Chance that each pipe needs repair now, by draw: as looks tell, else as its law says."""
    is_untold = pipes["state"].is_null().to_numpy()
    untold = np.flatnonzero(is_untold)
    state = pipes["state"].fill_null(0).to_numpy().astype(np.int64)
    # Only those of these pipes: a town has gigabytes of them, and is asked for many budgets.
    told, state[~is_untold] = np.unique(state[~is_untold], return_inverse=True)
    known = town.failed_now[told]
    if len(untold) == 0:
        return known, state
    rows = np.concatenate([np.arange(start[pipe], start[pipe + 1]) for pipe in untold])
    age, law = entries["age"].to_numpy()[rows], entries["law"].to_numpy()[rows]
    first = np.cumsum(np.diff(start)[untold]) - np.diff(start)[untold]
    survival = np.add.reduceat(
        entries["weight"].to_numpy()[rows, None] * laws.survival(law, age), first, axis=0
    )
    known = known if len(known) else np.empty((0, laws.n_draws), np.float32)
    state[untold] = len(known) + np.arange(len(untold))
    return np.concatenate((known, np.clip(1.0 - survival, 0.0, 1.0).astype(np.float32))), state


def _without_gaps(pipes: pl.DataFrame, assumptions: Assumptions) -> pl.DataFrame:
    share = assumptions.number("site", "length_ft_where_unknown") / pl.len().over("line")
    return pipes.with_columns(
        length_ft=pl.col("length_ft").fill_null(share),
        depth_ft=pl.col("depth_ft").fill_null(assumptions.number("site", "depth_ft_where_unknown")),
        diameter_in=pl.col("diameter_in").fill_null(assumptions.number("site", "diameter_in_where_unknown")),
    )


def _pieces(placed: pl.DataFrame, pipes: pl.DataFrame) -> pl.DataFrame:
    """Each pipe of a line on record, and the whole of a line that is not, lots in order."""
    numbered = placed.with_row_index("lot").with_columns(pl.col("lot").cast(pl.Int64))
    own = numbered.filter(~pl.col("is_borrowed")).select("lot", "lot_id", line="first")
    of_own = own.join(pipes.drop("lot_id"), on="line").select("lot", "lot_id", "sequence", "material", "age")
    whole = numbered.filter("is_borrowed").select(
        "lot",
        "lot_id",
        sequence=pl.lit(None, pl.Int64),
        material=pl.lit("unknown"),
        age=pl.lit(None, pl.Float64),
    )
    return pl.concat([of_own, whole]).sort("lot", "sequence")


def _entries_of(town: Town, pipes: pl.DataFrame) -> tuple[pl.DataFrame, IntArray]:
    first, count = pipes["first_entry"].to_numpy(), pipes["n_entries"].to_numpy()
    start = np.concatenate(([0], np.cumsum(count))).astype(np.int64)
    rows = np.repeat(first.astype(np.int64) - start[:-1], count) + np.arange(start[-1])
    return town.entries.select("pipe", "site", "area", "weight", "age")[rows], start


def _laws(
    parts: pl.DataFrame, entries: pl.DataFrame, pipes: pl.DataFrame, new_materials: Sequence[str]
) -> tuple[pl.DataFrame, Laws]:
    """Distinct laws of the pipes there are and of those that may be laid: scale, shape and start by draw."""
    places = pipes.select("site", "area").unique()
    new = pl.concat(
        [places.select(pipe=pl.lit(f"{m}, {NEW_ERA}"), site="site", area="area") for m in new_materials]
    )
    codes = pl.concat([entries.select("pipe", "site", "area"), new]).unique().sort("pipe", "site", "area")
    codes = codes.with_row_index("law").with_columns(pl.col("law").cast(pl.Int64))

    def of(part: str, code: str, column: str) -> FloatArray:
        rows = parts.filter(pl.col("part") == part).select(code="code", values=column)
        found = codes.select(code=code).join(rows, on="code", how="left", maintain_order="left")["values"]
        return matrix(found)

    hazard = (
        of("pipe", "pipe", "log_hazard") + of("site", "site", "log_hazard") + of("area", "area", "log_hazard")
    )
    family = str(parts["family"][0])
    scale, shape = standard_form(family, hazard, of("pipe", "pipe", "log_shape"))
    starts = parts.filter(pl.col("part") == "pipe")["start_log_odds"]
    has_start = starts.null_count() == 0
    start = 1 / (1 + np.exp(-of("pipe", "pipe", "start_log_odds"))) if has_start else np.zeros_like(scale)
    return codes, Laws(log_scale=scale, shape=shape, start=start, family=family)
