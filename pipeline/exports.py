"""Fair dealing with what leaves the workspace: a stated purpose, a log, an expiry, and who must not be contacted.

Answers that name single lots leave only with a purpose; each such file is a line of `exports.jsonl` in the
workspace. Lots in `do_not_contact.csv` (a column `lot_id` or `address`) are left out of every list for callers.
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import polars as pl
from rapidfuzz import fuzz, process

from pipeline import readers
from pipeline.errors import InputFileError, SettingsError
from pipeline.settings import Workspace
from pipeline.validation.addresses import address_keys

LOG_NAME = "exports.jsonl"
DO_NOT_CONTACT_NAME = "do_not_contact.csv"
SHORTEST_PURPOSE = 8
LONGEST_PURPOSE = 500
#: Days after which an exported list must not be used any more; judgement.
DAYS_OF_USE = 90
#: An entry that matches no lot also holds back the addresses that come this near to it (0 to 100).
NEAR_ENOUGH = 88.0
LOT_HEADERS = ("lot_id", "lot", "parcel", "parcel id", "apn")
ADDRESS_HEADERS = ("address", "property address", "site address", "property", "location")


@dataclass(frozen=True, slots=True)
class DoNotContact:
    """Who is not to be contacted.

    Attributes
    ----------
    lots : frozenset of str
        Lots named by id or address, and lots whose address comes near to an entry that matches none.
    unmatched : tuple of str
        Entries that match no lot.
    """

    lots: frozenset[str]
    unmatched: tuple[str, ...]


def checked_purpose(purpose: str | None) -> str:
    """Return the purpose on one line, without blanks around it.

    Raises
    ------
    SettingsError
        None was stated, or one that says nothing or too much.
    """
    text = " ".join((purpose or "").split())
    if len(text) > LONGEST_PURPOSE:
        raise SettingsError(
            f"--purpose has {len(text):,} characters; up to {LONGEST_PURPOSE} are kept in the log of exports. Say it in fewer."
        )
    if len(text) < SHORTEST_PURPOSE:
        raise SettingsError(
            "These answers name single lots. Say in a few words what they are for and for whom, e.g. "
            '--purpose "renewal plan of the sewer utility"; it is kept in the log of exports.'
        )
    return text


def use_until(today: date | None = None) -> date:
    """Return the last day on which an export made today may be used."""
    return (today or datetime.now(UTC).date()) + timedelta(days=DAYS_OF_USE)


def log_export(
    workspace: Workspace, *, command: str, target: str, purpose: str, n_lots: int, run_id: str
) -> None:
    """Write down that lots left the workspace, before they do.

    Raises
    ------
    SettingsError
        The log cannot be written; then nothing may leave.
    """
    line = {
        "at": datetime.now(UTC).isoformat(timespec="seconds"),
        "command": command,
        "target": target,
        "purpose": purpose,
        "n_lots": n_lots,
        "run_id": run_id,
        "use_until": use_until().isoformat(),
    }
    path = workspace.root / LOG_NAME
    try:
        with path.open("a", encoding="utf-8") as log:
            log.write(json.dumps(line, ensure_ascii=False) + "\n")
    except OSError as exc:
        raise SettingsError(
            f"{path}: the log of exports cannot be written ({exc.strerror}), so nothing was exported. Mend its permissions."
        ) from exc


def do_not_contact(workspace: Workspace, lots: pl.DataFrame) -> DoNotContact:
    """Read the workspace's list of lots not to contact.

    Parameters
    ----------
    workspace : Workspace
        May hold `do_not_contact.csv`; without it nobody is on the list.
    lots : DataFrame
        `lot_id, address` of every lot.

    Returns
    -------
    DoNotContact

    Raises
    ------
    InputFileError
        The file cannot be read, or has neither column: then no list may be made.
    """
    path = workspace.root / DO_NOT_CONTACT_NAME
    if not path.exists():
        return DoNotContact(frozenset(), ())
    entries = _entries(path)
    keyed = lots.select("lot_id", "address", key=address_keys(lots["address"]))
    ids = set(lots["lot_id"])
    keys = address_keys(pl.Series(entries, dtype=pl.String)).to_list()
    by_key = keyed.filter(pl.col("key").is_not_null()).group_by("key").agg("lot_id")
    of_key = dict(by_key.iter_rows())
    named: set[str] = set()
    unmatched = []
    for entry, key in zip(entries, keys, strict=True):
        found = [entry] if entry in ids else of_key.get(key, [])
        if not found:
            unmatched.append(entry)
            found = _near(key, of_key)
        named.update(found)
    return DoNotContact(frozenset(named), tuple(unmatched))


def _entries(path: Path) -> list[str]:
    try:
        raw = readers.read(path)
    except InputFileError:
        # A file that holds only its header is a list with nobody on it.
        if path.is_file() and _holds_only_its_header(path):
            return []
        raise
    names = {header.strip().lower(): header for header in raw.headers}
    wanted = [names[known] for known in (*LOT_HEADERS, *ADDRESS_HEADERS) if known in names]
    if not wanted:
        raise InputFileError(
            path,
            f"no column of lot ids or addresses was found among: {', '.join(raw.headers[:12])}.",
            "Name one 'lot_id' or 'address'; until then no list of lots is made.",
        )
    entries: list[str] = []
    for header in wanted:
        values = raw.column(header).str.strip_chars()
        entries += values.filter(values.is_not_null() & (values != "")).to_list()
    return entries


def _holds_only_its_header(path: Path) -> bool:
    lines = [line.strip(' ,;\t"') for line in path.read_bytes().decode("utf-8-sig", "replace").splitlines()]
    filled = [line.lower() for line in lines if line]
    known = {*LOT_HEADERS, *ADDRESS_HEADERS}
    return len(filled) == 1 and any(cell.strip(' "') in known for cell in re.split("[,;\t]", filled[0]))


def _near(key: str | None, of_key: dict[str, list[str]]) -> Sequence[str]:
    """Lots whose street is nearly the same, at the same number: when in doubt, nobody is contacted."""
    if not key:
        return ()
    number = key.split(" ", 1)[0]
    candidates = [known for known in of_key if known.split(" ", 1)[0] == number or not number[0].isdigit()]
    close = process.extract(key, candidates, scorer=fuzz.ratio, limit=None, score_cutoff=NEAR_ENOUGH)
    return [lot for match, _, _ in close for lot in of_key[match]]
