"""Answers from published scores: for a lot, a subdivision, or a list of addresses.

An address is matched exactly after normalisation, or not at all: near misses are listed, never guessed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import polars as pl
from rapidfuzz import fuzz, process

from pipeline import readers
from pipeline.errors import InputFileError
from pipeline.published.read import PublishedReader
from pipeline.validation.addresses import address_keys

NEAR_MISSES = 3
#: Likeness, 0 to 100, from which an address is worth showing as a near miss.
NEAR_ENOUGH = 75.0
#: The largest numbers that are reached with these chances sum up a subdivision.
TOLD_CHANCES = [0.95, 0.75, 0.5, 0.25, 0.05]
LOT_HEADERS = ("lot_id", "lot", "parcel", "parcel id", "apn")
ADDRESS_HEADERS = ("address", "property address", "site address", "property", "location")

#: Kinds of reasons that speak of the lot's own looks, or of so few neighbours that their results would show.
OWN_REASONS = ("own_look", "limits", "block")

#: What every answer on a lot tells.
TOLD_COLUMNS = (
    "lot_id",
    "address",
    "line_summary",
    "failure_probability",
    "failure_probability_lower",
    "failure_probability_upper",
    "failure_within_horizon_probability",
    "failure_within_horizon_probability_lower",
    "failure_within_horizon_probability_upper",
    "evidence_grade",
    "evidence",
    "n_like",
    "n_like_bad",
    "near_seen_ft",
)
LOT_COLUMNS = (
    *TOLD_COLUMNS,
    "has_foreign_line",
    "tells_own_results",
    "n_inspections",
    "failure_probability_without_own",
    "failure_probability_without_own_lower",
    "failure_probability_without_own_upper",
    "lon",
    "lat",
    "x_ft",
    "y_ft",
    "status",
    "sentence",
)
#: What an export of single lots has: only what may leave with an address.
EXPORT_COLUMNS = (
    "asked",
    *TOLD_COLUMNS,
    "stop_work",
    "status",
    "sentence",
    "reasons",
)
#: What was seen in a subdivision; of few lots it would tell single results.
SEEN_COLUMNS = ("n_observed", "expected", "expected_lower", "expected_upper", "ratio")
STATUS_OWN_WITHHELD = "own_results_withheld"
STATUS_DO_NOT_CONTACT = "do_not_contact"
WITHHELD = (
    "A camera has been in this line, and its result may not be told with the address: this is the chance of lines "
    "like it, without its own looks. A screening aid, no substitute for a camera in the line."
)
STOP_WORK = (
    "STOP WORK: another utility's line was seen in this pipe; it may be gas. No cutting of roots, no jetting; leave it alone, "
    "call the gas utility."
)


@dataclass(frozen=True, slots=True)
class Answers:
    """What was asked, and what was found.

    Attributes
    ----------
    found : DataFrame
        `asked`, the lot columns, `reasons` (sentences, joined with a space) and `reasons_without_own` (those that
        do not speak of the lot's own looks), in the order asked.
    unmatched : DataFrame
        `asked, near_misses`: what matched no lot, or several; with what comes near.
    """

    found: pl.DataFrame
    unmatched: pl.DataFrame


def answer_lots(reader: PublishedReader, asked: Sequence[str]) -> Answers:
    """Find lots by id or address.

    Parameters
    ----------
    reader : PublishedReader
        Published scores.
    asked : sequence of str
        Lot ids or addresses.

    Returns
    -------
    Answers
    """
    columns = ", ".join(LOT_COLUMNS)
    lots = reader.query(f"SELECT {columns} FROM lots ORDER BY lot_id")  # noqa: S608 - names of the contract
    keyed = lots.select("lot_id", "address", key=address_keys(lots["address"]))
    questions = pl.DataFrame({"asked": list(asked)}, schema={"asked": pl.String}).with_row_index("place")
    questions = questions.with_columns(
        asked=pl.col("asked").str.strip_chars(), key=address_keys(questions["asked"])
    )
    by_id = questions.join(keyed.select("lot_id"), left_on="asked", right_on="lot_id", how="semi")
    by_id = by_id.select("place", lot_id="asked")
    rest = questions.join(by_id, on="place", how="anti")
    by_address = rest.join(keyed.filter(pl.col("key").is_not_null()), on="key").filter(
        pl.len().over("place") == 1
    )
    hits = pl.concat([by_id, by_address.select("place", "lot_id")])
    found = questions.join(hits, on="place").sort("place").select("asked", "lot_id")
    found = found.join(lots, on="lot_id", how="left", maintain_order="left")
    missed = questions.join(hits, on="place", how="anti").sort("place")
    near = [_near(question, keyed) for question in missed.select("asked", "key").iter_rows(named=True)]
    unmatched = pl.DataFrame(
        {"asked": missed["asked"], "near_misses": near}, schema={"asked": pl.String, "near_misses": pl.String}
    )
    return Answers(_with_reasons(reader, found), unmatched)


def fit_to_leave(found: pl.DataFrame, held_back: frozenset[str]) -> pl.DataFrame:
    """Return answers as they may leave the workspace together with an address.

    Parameters
    ----------
    found : DataFrame
        `found` of `answer_lots`.
    held_back : frozenset of str
        Lots that must not be contacted: they keep their id, and nothing else is told of them.

    Returns
    -------
    DataFrame
        `EXPORT_COLUMNS`. Where a camera has been in the line and a client did not allow to tell the result with
        the address, the chance is the one without the line's own looks, and no reason speaks of them.
    """
    is_kept_back = (pl.col("n_inspections") > 0) & ~pl.col("tells_own_results")
    is_quiet = pl.col("lot_id").is_in(held_back)
    own = [f"failure_probability{end}" for end in ("", "_lower", "_upper")]
    within = [f"failure_within_horizon_probability{end}" for end in ("", "_lower", "_upper")]
    told = found.with_columns(
        *(
            pl.when(is_kept_back)
            .then(pl.col(name.replace("failure_probability", "failure_probability_without_own")))
            .otherwise(pl.col(name))
            .alias(name)
            for name in own
        ),
        # If none is there now: how likely that is, the line's own looks have said.
        *(pl.when(~is_kept_back).then(pl.col(name)).alias(name) for name in within),
        evidence_grade=pl.when(is_kept_back).then(pl.lit("withheld")).otherwise("evidence_grade"),
        evidence=pl.when(is_kept_back)
        .then(pl.lit("its own camera record is withheld"))
        .otherwise("evidence"),
        reasons=pl.when(is_kept_back).then("reasons_without_own").otherwise("reasons"),
        sentence=pl.when(is_kept_back).then(pl.lit(WITHHELD)).otherwise("sentence"),
        status=pl.when(is_kept_back & (pl.col("status") == "ok"))
        .then(pl.lit(STATUS_OWN_WITHHELD))
        .otherwise("status"),
        stop_work=pl.when("has_foreign_line").then(pl.lit(STOP_WORK)),
    )
    spoken = [name for name in EXPORT_COLUMNS if name not in {"asked", "lot_id", "status", "stop_work"}]
    return told.with_columns(
        *(pl.when(~is_quiet).then(pl.col(name)).alias(name) for name in spoken),
        status=pl.when(is_quiet).then(pl.lit(STATUS_DO_NOT_CONTACT)).otherwise("status"),
    ).select(*EXPORT_COLUMNS, "lon", "lat", "x_ft", "y_ft")


def area_fit_to_leave(found: pl.DataFrame, least_inspected: int) -> pl.DataFrame:
    """Return the answer for a subdivision as it may leave: of few inspected lots nothing that was seen is told."""
    is_small = pl.col("n_inspected") < least_inspected
    return found.with_columns(pl.when(~is_small).then(pl.col(name)).alias(name) for name in SEEN_COLUMNS)


def _near(question: dict[str, str | None], keyed: pl.DataFrame) -> str:
    if not question["key"]:
        return ""
    same = keyed.filter(pl.col("key") == question["key"])
    if same.height > 1:
        return "several lots: " + ", ".join(same["lot_id"].head(NEAR_MISSES))
    known = keyed.filter(pl.col("key").is_not_null())
    close = process.extract(
        question["key"],
        known["key"].to_list(),
        scorer=fuzz.ratio,
        limit=NEAR_MISSES,
        score_cutoff=NEAR_ENOUGH,
    )
    return "; ".join(f"{known['address'][at]} ({known['lot_id'][at]})" for _, _, at in close)


def _with_reasons(reader: PublishedReader, found: pl.DataFrame) -> pl.DataFrame:
    wanted = found["lot_id"].unique().to_list()
    reasons = reader.query(
        "SELECT lot_id, string_agg(reason, ' ' ORDER BY position) AS reasons, "
        "string_agg(reason, ' ' ORDER BY position) FILTER (NOT list_contains(?, kind)) AS reasons_without_own "
        "FROM lot_reasons WHERE list_contains(?, lot_id) GROUP BY lot_id",
        (list(OWN_REASONS), wanted),
    )
    return found.join(reasons, on="lot_id", how="left", maintain_order="left")


def answer_file(reader: PublishedReader, path: Path) -> Answers:
    """Find the lots that a file names by id or, where a row has none, by address.

    Returns
    -------
    Answers
        Rows of the file that name no lot, or cannot be read, stand last among the unmatched, with their numbers.

    Raises
    ------
    InputFileError
        The file cannot be read, has no column of ids or addresses, or nothing in it.
    """
    raw = readers.read(path)
    names = {header.strip().lower(): header for header in raw.headers}
    columns = [raw.column(names[known]) for known in (*LOT_HEADERS, *ADDRESS_HEADERS) if known in names]
    if not columns:
        raise InputFileError(
            path,
            f"no column of lot ids or addresses was found among: {', '.join(raw.headers[:12])}.",
            "Name one 'lot_id' or 'address'.",
        )
    questions = raw.rows.select(
        "source_row", asked=pl.coalesce(column.str.strip_chars().replace("", None) for column in columns)
    )
    asked = questions["asked"].drop_nulls()
    if asked.is_empty():
        raise InputFileError(path, "it names no lot.", "Put lot ids or addresses into that column.")
    answers = answer_lots(reader, asked.to_list())
    blank = questions.filter(pl.col("asked").is_null())
    unread = pl.concat(
        [
            blank.select("source_row", reason=pl.lit("it names no lot")),
            raw.malformed.unique("source_row", keep="first").select(
                "source_row", pl.col("reason").str.strip_chars_end(".")
            ),
        ]
    ).sort("source_row")
    told = pl.format("row {} of {}: {}", "source_row", pl.lit(path.name), "reason")
    unasked = unread.select(asked=told, near_misses=pl.lit(""))
    return Answers(answers.found, pl.concat([answers.unmatched, unasked]))


def answer_subdivision(reader: PublishedReader, name: str) -> Answers:
    """Find one subdivision, by its name in any case.

    Returns
    -------
    Answers
        `found` has the published columns, `asked`, and `at_least` in words.
    """
    found = reader.query("SELECT * FROM subdivisions WHERE lower(subdivision) = lower(trim(?))", (name,))
    if found.is_empty():
        known = reader.query("SELECT subdivision FROM subdivisions ORDER BY subdivision")[
            "subdivision"
        ].to_list()
        close = process.extract(
            name.lower(), known, processor=str.lower, scorer=fuzz.ratio, limit=NEAR_MISSES, score_cutoff=50.0
        )
        near = "; ".join(match for match, _, _ in close)
        return Answers(found, pl.DataFrame({"asked": [name], "near_misses": [near]}))
    tails = reader.query(
        "SELECT max(k) AS most, told FROM subdivision_counts, unnest(?) AS t(told) "
        "WHERE subdivision = ? AND probability_at_least >= told GROUP BY told ORDER BY told DESC",
        (TOLD_CHANCES, found["subdivision"][0]),
    )
    words = "; ".join(f"{chance:.0%} that it is {k:,} or more" for k, chance in tails.iter_rows())
    return Answers(
        found.with_columns(asked=pl.lit(name), at_least=pl.lit(words)),
        pl.DataFrame(schema={"asked": pl.String, "near_misses": pl.String}),
    )
