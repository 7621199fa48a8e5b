"""What budgets of one generation have in common, read from its published tables."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from models.looks import FloatArray
from models.renewal_stock import Float32Array
from pipeline.errors import FitError
from pipeline.published.read import PublishedReader

#: Houses built this many years apart or less count as similar; the first window with enough of them is used.
SIMILAR_WITHIN_YEARS = (3, 5, 10, 15)
#: A range of ages wider than this is summed over [years].
WIDE_YEARS = 0.5
_NODE, _WEIGHT = np.polynomial.legendre.leggauss(5)


@dataclass(frozen=True, kw_only=True)
class Town:
    """What budgets of one generation have in common.

    Attributes
    ----------
    lots : DataFrame
        `lot_id, address, portfolio, subdivision, year_built, key` (position in the generation).
    pipes : DataFrame
        Pipes in use: `lot_id, sequence, material, diameter_in, depth_ft, length_ft, age, state, pipe, site, area`
        and `first_entry, n_entries`; NULL where not on record.
    entries : DataFrame
        What each may be, in the same order: `pipe, site, area, weight, age`.
    failed_now : ndarray of float32, shape (n_states, n_parameter_draws)
        Chance that a pipe which looks tell of needs repair now. `state` of the others is NULL.
    parts : DataFrame
        life_law_parts.
    donors : DataFrame
        `lot_id, year_built` of lines that a camera has seen without a complaint, sorted by year.
    """

    lots: pl.DataFrame
    pipes: pl.DataFrame
    entries: pl.DataFrame
    failed_now: Float32Array
    parts: pl.DataFrame
    donors: pl.DataFrame


def read_town(table: Callable[[str], pl.DataFrame]) -> Town:
    """Read what budgets need.

    Parameters
    ----------
    table : callable
        Returns a published table by its name, at least with what belongs to the lots in question: see `tables_for`.

    Raises
    ------
    FitError
        There is no fit to simulate from.
    """
    states, parts = table("pipe_states"), table("life_law_parts")
    if not states["state"].is_sorted():
        states = states.sort("state")
    if parts.is_empty():
        raise FitError(
            "No budget can be made: the records carry no fitted curve yet. The page 'How pipes age' says why."
        )
    keys = ["lot_id", "sequence"]
    entries = table("pipe_entries").sort(*keys, "entry")
    lots = (
        table("lots")
        .sort("lot_id")
        .select("lot_id", "address", "portfolio", "subdivision", "year_built")
        .with_row_index("key")
    )
    firsts = entries.group_by(keys, maintain_order=True).agg(
        pl.col("state", "pipe", "site", "area").sort_by("prior_probability", descending=True).first()
    )
    places = states.select("state", place=pl.int_range(pl.len()))
    firsts = firsts.join(places, on="state", how="left").drop("state").rename({"place": "state"})
    pipes = table("lot_segments").join(firsts, on=keys).sort(keys)
    whole = entries.join(pipes.select(keys), on=keys, how="semi", maintain_order="left")
    spread = _over_ages(whole)
    counts = spread.group_by(keys, maintain_order=True).len("n_entries")
    pipes = pipes.join(counts, on=keys, how="left", maintain_order="left").with_columns(
        first_entry=pl.col("n_entries").cum_sum() - pl.col("n_entries")
    )
    ages = spread.group_by(keys, maintain_order=True).agg(
        age=(pl.col("age") * pl.col("weight")).sum() / pl.col("weight").sum()
    )
    pipes = pipes.join(ages, on=keys, how="left", maintain_order="left")
    looked = table("lot_inspections").filter(~pl.col("is_selected") & pl.col("is_bad").is_not_null())
    donors = (
        lots.join(looked.select("lot_id").unique(), on="lot_id", how="semi")
        .join(pipes.select("lot_id").unique(), on="lot_id", how="semi")
        .filter(pl.col("year_built").is_not_null())
        .select("lot_id", "year_built")
        .sort("year_built", "lot_id")
    )
    return Town(
        lots=lots,
        pipes=pipes,
        entries=spread,
        failed_now=states["failed_now"]
        .explode()
        .to_numpy()
        .astype(np.float32, copy=False)
        .reshape(states.height, -1)
        if states.height
        else np.empty((0, 0), np.float32),
        parts=parts,
        donors=donors,
    )


def matrix(lists: pl.Series) -> FloatArray:
    """Lists of one length as rows."""
    values: FloatArray = lists.explode().to_numpy().astype(np.float64).reshape(len(lists), -1)
    return values


def _over_ages(entries: pl.DataFrame) -> pl.DataFrame:
    """Spread entries of a wide age range over five ages (Gauss-Legendre), as the fit does."""
    wide = entries.filter(pl.col("age_to_years") - pl.col("age_from_years") > WIDE_YEARS)
    narrow = entries.join(
        wide.select("lot_id", "sequence", "entry"), on=["lot_id", "sequence", "entry"], how="anti"
    )
    columns = ["lot_id", "sequence", "entry", "pipe", "site", "area"]
    low, width = pl.col("age_from_years"), pl.col("age_to_years") - pl.col("age_from_years")
    parts = [
        narrow.select(*columns, weight="prior_probability", age=low + width / 2, node=pl.lit(0)),
        *(
            wide.select(
                *columns,
                weight=pl.col("prior_probability") * float(weight / 2),
                age=low + width * float((node + 1) / 2),
                node=pl.lit(place),
            )
            for place, (node, weight) in enumerate(zip(_NODE, _WEIGHT, strict=True))
        ),
    ]
    return pl.concat(parts).sort("lot_id", "sequence", "entry", "node")


def tables_for(reader: PublishedReader, lot_ids: Sequence[str]) -> Callable[[str], pl.DataFrame]:
    """Return what reads only those rows of the published tables that a budget of some lots needs.

    Parameters
    ----------
    reader : PublishedReader
    lot_ids : sequence of str
        Lots on record.
    """
    needed = reader.query(_NEEDED_LOTS, [list(lot_ids), *[SIMILAR_WITHIN_YEARS[-1]] * 2])["lot_id"].to_list()

    def table(name: str) -> pl.DataFrame:
        return reader.query(_ROWS_OF_LOTS[name], [needed]) if name in _ROWS_OF_LOTS else reader.table(name)

    return table


#: The lots themselves and, for those without a line on record, all that may be similar.
_NEEDED_LOTS = """
    WITH asked AS (SELECT unnest(?) AS lot_id),
    bare AS (
        SELECT DISTINCT year_built FROM lots JOIN asked USING (lot_id)
        WHERE year_built IS NOT NULL AND lot_id NOT IN (SELECT lot_id FROM pipe_entries)
    )
    SELECT lot_id FROM asked
    UNION
    SELECT lot_id FROM lots JOIN bare
    ON lots.year_built BETWEEN bare.year_built - ? AND bare.year_built + ?
"""
_ROWS_OF_LOTS = {
    "pipe_entries": "SELECT * FROM pipe_entries WHERE lot_id IN (SELECT unnest(?))",
    "lot_segments": "SELECT * FROM lot_segments WHERE lot_id IN (SELECT unnest(?))",
    "lot_inspections": "SELECT * FROM lot_inspections WHERE lot_id IN (SELECT unnest(?))",
    "pipe_states": "SELECT * FROM pipe_states WHERE state IN "
    "(SELECT state FROM pipe_entries WHERE lot_id IN (SELECT unnest(?)))",
}
