"""Which lots a budget is for: listed, tagged, or of a subdivision."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import polars as pl
from rapidfuzz import fuzz, process

from pipeline.errors import SettingsError
from pipeline.published.read import PublishedReader
from pipeline.steps.budget_tables import Budget
from pipeline.steps.score import NEAR_MISSES, answer_file, answer_lots

#: Statements by column: names of the contract, never a user's words.
BY_GROUP = {
    "portfolio": "SELECT lot_id, portfolio AS name FROM lots WHERE portfolio IS NOT NULL ORDER BY lot_id",
    "subdivision": "SELECT lot_id, subdivision AS name FROM lots WHERE subdivision IS NOT NULL ORDER BY lot_id",
}


@dataclass(frozen=True, slots=True)
class Chosen:
    """Chosen lots.

    Attributes
    ----------
    lot_ids : list of str
    words : str
        Which they are, for a heading.
    unmatched : DataFrame
        `asked, near_misses`.
    """

    lot_ids: list[str]
    words: str
    unmatched: pl.DataFrame


def choose_group(reader: PublishedReader, kind: str, name: str) -> Chosen:
    """Choose the lots of a portfolio or subdivision, by its name in any case.

    Raises
    ------
    SettingsError
        There is none of that name.
    """
    known = reader.query(BY_GROUP[kind])
    found = known.filter(pl.col("name").str.to_lowercase() == name.strip().lower())
    if found.is_empty():
        names = known["name"].unique().sort().to_list()
        if not names:
            raise SettingsError(
                f"No lot has a {kind}, so none can be chosen. Load lots with that column first."
            )
        close = process.extract(
            name.lower(), names, processor=str.lower, scorer=fuzz.ratio, limit=NEAR_MISSES
        )
        near = ", ".join(match for match, _, _ in close)
        raise SettingsError(f"No lot is in {kind} '{name}'. Near ones: {near}.")
    return Chosen(
        found["lot_id"].to_list(),
        f"{kind} {found['name'][0]}",
        pl.DataFrame(schema={"asked": pl.String, "near_misses": pl.String}),
    )


def choose_listed(reader: PublishedReader, asked: Sequence[str], file: Path | None) -> Chosen:
    """Choose lots by id or address, from the command line or a file.

    Raises
    ------
    InputFileError
        The file cannot be read, or names no lot at all.
    SettingsError
        None of the lots is on record.
    """
    answers = answer_file(reader, file) if file is not None else answer_lots(reader, asked)
    if answers.found.is_empty():
        raise SettingsError(
            f"None of the {answers.unmatched.height:,} lots asked for is on record. Check the ids or addresses, or load the lots first."
        )
    lot_ids = answers.found["lot_id"].unique(maintain_order=True).to_list()
    words = f"{len(lot_ids):,} lots" + (f" of {file.name}" if file is not None else "")
    return Chosen(lot_ids, words, answers.unmatched)


def fit_to_leave(budget: Budget, reader: PublishedReader, held_back: frozenset[str]) -> Budget:
    """Return a budget as it may leave the workspace: sums as they are, single lots only where they may be named.

    Parameters
    ----------
    budget : Budget
    reader : PublishedReader
        Tells whose clients allowed results to be told with the address.
    held_back : frozenset of str
        Lots that must not be contacted.
    """
    quiet = reader.query("SELECT lot_id FROM lots WHERE n_inspections > 0 AND NOT tells_own_results")[
        "lot_id"
    ]
    hidden = pl.Series(sorted(held_back | set(quiet)), dtype=pl.String)

    def named(frame: pl.DataFrame) -> pl.DataFrame:
        return frame.filter(~pl.col("lot_id").is_in(hidden.implode()))

    lots = named(budget.lots)
    return replace(
        budget,
        lots=lots,
        programme=named(budget.programme),
        left_out=named(budget.left_out),
        facts=budget.facts | {"n_withheld": budget.lots.height - lots.height},
    )
