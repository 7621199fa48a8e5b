"""Lists for callers from published areas: which areas, and the doors of some of them."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from pipeline.errors import FitError, SettingsError
from pipeline.exports import DoNotContact, do_not_contact, use_until
from pipeline.published import contract
from pipeline.published.read import PublishedReader
from pipeline.settings import Workspace

RULE = (
    "Estimates for whole areas, from lines like those in them; nothing here says anything about any one house. "
    "Do not tell a household that its line has failed: only a camera in the line can."
)


@dataclass(frozen=True, slots=True)
class Doors:
    """Doors to call at.

    Attributes
    ----------
    rows : DataFrame
        `area_id, area, address, lot_id, per_door` (the area's, the same for each of its doors), `purpose, use_until,
        rule`.
    held_back : DoNotContact
        Whom the list leaves out.
    n_left_out : int
        Doors that it left out.
    """

    rows: pl.DataFrame
    held_back: DoNotContact
    n_left_out: int


def ranked_areas(reader: PublishedReader, subdivision: str | None) -> pl.DataFrame:
    """Return areas, best first; those that are held back come last.

    Raises
    ------
    FitError
        There is no such subdivision, or no area at all.
    """
    areas = reader.query(
        "SELECT * FROM canvass_areas WHERE ? IS NULL OR lower(subdivision) = lower(trim(?)) ORDER BY rank NULLS LAST, area_id",
        (subdivision, subdivision),
    )
    if areas.is_empty() and subdivision is not None:
        known = reader.query("SELECT DISTINCT subdivision FROM canvass_areas ORDER BY 1")["subdivision"]
        raise FitError(
            f"--subdivision {subdivision}: none of this name. On record: {', '.join(known.head(12))}."
        )
    if areas.is_empty():
        raise FitError(
            "No lot is on record. Load a file with `underlot load FILE`, then run `underlot build`."
        )
    return areas


def doors_of(
    reader: PublishedReader, workspace: Workspace, areas: pl.DataFrame, n_areas: int, purpose: str
) -> Doors:
    """Return the doors of the best areas, without those who must not be contacted.

    Parameters
    ----------
    reader : PublishedReader
        Published areas.
    workspace : Workspace
        With the list of whom not to contact, read anew: an entry counts at once, without a build.
    areas : DataFrame
        From `ranked_areas`.
    n_areas : int
        How many of them.
    purpose : str
        Stated purpose.

    Raises
    ------
    SettingsError
        Every area is held back.
    InputFileError
        The list of whom not to contact cannot be read.
    """
    best = areas.filter(pl.col("status") == contract.STATUS_OK).head(n_areas)
    if best.is_empty():
        raise SettingsError(f"No list of doors: every area asked for is held back. {areas['sentence'][0]}")
    held_back = do_not_contact(workspace, reader.query("SELECT lot_id, address FROM lots"))
    doors = reader.query(
        "SELECT d.area_id, l.address, d.lot_id FROM canvass_lots AS d JOIN lots AS l USING (lot_id) "
        "WHERE list_contains(?, d.area_id)",
        (best["area_id"].to_list(),),
    )
    allowed = doors.filter(~pl.col("lot_id").is_in(held_back.lots))
    rows = allowed.join(best.select("area_id", "rank", "per_door", area="name"), on="area_id").sort(
        "rank", "address", "lot_id", nulls_last=True
    )
    rows = rows.select("area_id", "area", "address", "lot_id", "per_door").with_columns(
        purpose=pl.lit(purpose), use_until=pl.lit(use_until().isoformat()), rule=pl.lit(RULE)
    )
    return Doors(rows, held_back, doors.height - allowed.height)
