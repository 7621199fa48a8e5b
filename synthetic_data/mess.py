"""One inspector's own workbook of the same jobs: one row per job, kept by hand for years.

Mixed units, several ways to write a date, materials as a run of words, misspellings, blank years, jobs
entered twice, notes in merged cells, a header some rows down, a total at the end. A key beside it says
what each row means; the reader never sees the key.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, datetime
from itertools import groupby
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import xlsxwriter

from synthetic_data import truth
from synthetic_data.findings import VERDICTS
from synthetic_data.inspections import PURPOSES, lives_at
from synthetic_data.names import TOWN_NAME
from synthetic_data.tables import Town, dates, inspection_ids, lot_ids, words
from synthetic_data.truth import Ints

MOST_JOBS = 3_000
#: Row of the header as a spreadsheet numbers it.
HEADER_ROW = 4
HEADERS = (
    "Job #", "Date", "Address", "Yr Built", "Tract", "Pipe Material", "Length", "Access", "Job Type",
    "Result", "Remarks",
)  # fmt: skip

#: Spellings seen in the field (common practice), by material; the first are the usual ones.
SPELLINGS: dict[str, tuple[str, ...]] = {
    "vitrified_clay": ("VCP", "VCP", "clay", "V.C.P.", "vcp", "terra cota", "Terra Cotta", "Vitrified clay"),
    "concrete": ("concrete", "Conc.", "conc", "CONCRETE", "concreet"),
    "cast_iron": ("CI", "cast iron", "C.I.", "Cast Iron", "cast irn"),
    "bituminized_fiber": ("Orangeburg", "orangeburg", "Orangeberg", "bituminous fiber"),
    "asbestos_cement": ("AC", "transite", "Transite", "asbestos cement", "ACP"),
    "abs": ("ABS", "ABS", "abs", "A.B.S."),
    "pvc": ("PVC", "PVC", "pvc", "SDR 35", "P.V.C."),
    "polyethylene": ("HDPE", "hdpe", "poly"),
    "cured_in_place": ("lined", "CIPP", "epoxy liner"),
}
_VERDICT_WORDS: dict[str, tuple[str, ...]] = {
    "serviceable": ("OK", "good", "Good", "ok", "serviceable", "pass"),
    "monitor": ("monitor", "Monitor", "monitor", "watch", "monitor yearly"),
    "repair": ("needs repair", "Repair", "repair", "REPAIR"),
    "replace": ("Replace", "replace", "needs replacement"),
}
_PURPOSE_WORDS: dict[str, tuple[str, ...]] = {
    "pre_sale": ("pre-sale", "Presale", "buyer", "pre sale"),
    "routine": ("routine", "routine", "Routine", "maint. look"),
    "backup": ("backup", "back-up", "Backed up"),
    "warranty": ("warranty", "Warranty"),
    "post_repair": ("after repair", "post repair"),
}
_ACCESS_WORDS = ("C/O", "cleanout", "clean-out", "clean out", "")
_MERGED_NOTES = (
    "Week of rain, several lines still under water when scoped",
    "New camera from here on",
    "Office moved, older paper tickets not all found",
    "Counter replaced, footages checked against tape",
)


@dataclass(frozen=True, slots=True)
class Job:
    """One row of the workbook and what it means; `duplicate_of` counts jobs from 0."""

    look: int
    duplicate_of: int | None
    cells: tuple[Any, ...]
    materials: tuple[str, ...]


def _pick(choices: tuple[str, ...], rng: np.random.Generator) -> str:
    """One of the choices."""
    return choices[int(rng.integers(len(choices)))]


def write_date(day: date, rng: np.random.Generator) -> date | str:
    """A date as this inspector happened to write it; a date object becomes a true spreadsheet date."""
    form = int(rng.integers(8))
    if form < 3:
        return day
    if form < 5:
        return f"{day.month}/{day.day}/{day.year}"
    if form == 5:
        return day.isoformat()
    if form == 6:
        return f"{day.day}-{day:%b-%y}"
    return f"{day:%B} {day.day}, {day.year}"


def write_length(length_ft: float, rng: np.random.Generator) -> float | str:
    """A length in one of the units and spellings met in the field."""
    form = int(rng.integers(8))
    if form < 3:
        return float(length_ft)
    if form == 3:
        return f"{length_ft:g}'"
    if form == 4:
        return f"{length_ft:g} ft"
    if form == 5:
        return f"{length_ft * 0.3048:.1f} m"
    if form == 6:
        return f"{length_ft:.1f}ft"
    return f"{length_ft:g} feet"


def write_run(
    materials: tuple[str, ...], diameters: tuple[int, ...], is_first: list[bool], rng: np.random.Generator
) -> str:
    """The materials along a line as one text, e.g. ``4" PVC > 4" VCP > 6" VCP (orig.)``."""
    with_size = bool(rng.random() < 0.7)
    if not with_size:
        # Without bores, neighbours of one material are one.
        starts = [i for i, m in enumerate(materials) if i == 0 or m != materials[i - 1]]
        materials, diameters = tuple(materials[i] for i in starts), tuple(diameters[i] for i in starts)
        is_first = [is_first[i] for i in starts]
    mark = _pick((" > ", " > ", " to ", ">"), rng)
    pieces = []
    for material, diameter in zip(materials, diameters, strict=True):
        word = _pick(SPELLINGS[material], rng)
        pieces.append(f'{diameter}" {word}' if with_size else word)
    if len(pieces) > 1 and is_first[-1] and not all(is_first) and rng.random() < 0.5:
        pieces[-1] += " (orig.)"
    return mark.join(pieces)


@dataclass(frozen=True, slots=True)
class Line:
    """A lateral as it lay at one look."""

    materials: tuple[str, ...]
    diameters: tuple[int, ...]
    is_first: list[bool]


def _lines(town: Town, looks: Ints) -> list[Line]:
    """The lateral of each look, stretches of one material and bore told as one."""
    stretches, lives = town.setting.stretches, town.lives
    lot = town.looks.lot[looks]
    count = stretches.count[lot]
    owner = np.repeat(np.arange(looks.size), count)
    stretch = stretches.first[lot][owner] + np.arange(owner.size) - (np.cumsum(count) - count)[owner]
    life = lives_at(lives, stretch, town.looks.time[looks][owner], stretches.n)
    lines: list[list[tuple[str, int, bool]]] = [[] for _ in range(looks.size)]
    for own, place, lived in zip(owner.tolist(), stretch.tolist(), life.tolist(), strict=True):
        piece = (
            truth.MATERIALS[lives.material[lived]],
            int(stretches.diameter_in[place]),
            bool(lives.number[lived] == 1),
        )
        if not lines[own] or lines[own][-1][:2] != piece[:2]:
            lines[own].append(piece)
    return [
        Line(tuple(p[0] for p in line), tuple(p[1] for p in line), [p[2] for p in line]) for line in lines
    ]


def _draw_jobs(
    town: Town, lots: pl.DataFrame, looks: Ints, rng: np.random.Generator
) -> list[tuple[Job, date]]:
    """The rows of the workbook in the order in which they were entered, not yet placed."""
    address, built, tract = lots["address"], lots["year_built"], lots["subdivision"]
    days = dates(town.looks.time[looks]).to_list()
    jobs: list[tuple[Job, date]] = []
    for look, line, day in zip(looks.tolist(), _lines(town, looks), days, strict=True):
        lot = int(town.looks.lot[look])
        year = built[lot]
        cells = (
            f"{1000 + len(jobs)}",
            write_date(day, rng),
            address[lot],
            None if year is None or rng.random() < 0.12 else year,
            tract[lot] if rng.random() < 0.8 else None,
            write_run(line.materials, line.diameters, line.is_first, rng),
            write_length(float(town.looks.end_ft[look]), rng),
            _pick(_ACCESS_WORDS, rng),
            _pick(_PURPOSE_WORDS[PURPOSES[town.looks.purpose[look]]], rng),
            _pick(_VERDICT_WORDS[VERDICTS[town.notes.verdict[look]]], rng),
            "did not reach main" if not town.looks.is_complete[look] else None,
        )
        told = tuple(m for m, _ in groupby(line.materials))
        job = Job(look=look, duplicate_of=None, cells=cells, materials=told)
        jobs.append((job, day))
        if rng.random() < 0.015:
            # Entered twice: the same row again, number and all.
            jobs.append((replace(job, duplicate_of=len(jobs) - 1), day))
    return jobs


def write_jobs(
    path: Path, town: Town, lots: pl.DataFrame, looks: Ints, rng: np.random.Generator
) -> pl.DataFrame:
    """Write the workbook and return its key.

    Parameters
    ----------
    path : Path
        Workbook to write (.xlsx).
    town : Town
        The town.
    lots : polars.DataFrame
        Its lots table, in the order of the lots.
    looks : ndarray of int, shape (n_jobs,)
        The looks to tell of, in order of time; at most `MOST_JOBS` of them are used.
    rng : numpy.random.Generator
        Source of all draws.

    Returns
    -------
    polars.DataFrame
        One row per job row: source_row (as a spreadsheet numbers it), lot_id, inspection_id, inspection_date,
        materials (from the house to the main, joined by " > ",
        neighbours of one material told once whatever their bore), length_ft, purpose, verdict,
        duplicate_of (source_row of the row it repeats, or empty).
    """
    if looks.size > MOST_JOBS:
        # Evenly over the years, as if the rest were in another book.
        looks = looks[np.linspace(0, looks.size - 1, MOST_JOBS).astype(np.int64)]
    drawn = _draw_jobs(town, lots, looks, rng)
    rows: list[int] = []
    with xlsxwriter.Workbook(str(path)) as book:
        # A fixed time of making, so that the same seed gives the same file.
        book.set_properties({"created": datetime(2026, 6, 30)})
        sheet = book.add_worksheet("Jobs")
        bold = book.add_format({"bold": True})
        as_date = book.add_format({"num_format": "m/d/yyyy"})
        wide = book.add_format({"italic": True, "align": "center"})
        sheet.write(0, 0, f"{TOWN_NAME} sewer scopes, my jobs (invented)", bold)
        sheet.write(1, 0, "lengths in ft unless noted")
        sheet.write_row(HEADER_ROW - 1, 0, HEADERS, bold)
        row = HEADER_ROW
        notes_after = set(
            rng.choice(max(len(drawn), 1), size=min(len(_MERGED_NOTES), len(drawn)), replace=False).tolist()
        )
        for i, (job, _) in enumerate(drawn):
            _write_row(sheet, row, job.cells, as_date)
            rows.append(row + 1)
            row += 1
            if i in notes_after:
                sheet.merge_range(row, 0, row, len(HEADERS) - 1, _MERGED_NOTES[i % len(_MERGED_NOTES)], wide)
                row += 1
        sheet.write(row + 1, 0, "TOTAL", bold)
        sheet.write(row + 1, 2, f"{len(drawn)} jobs")
        sheet.write_number(row + 1, 6, round(sum(float(town.looks.end_ft[job.look]) for job, _ in drawn)))
    return _key(town, drawn, rows)


def _write_row(sheet: Any, row: int, cells: tuple[Any, ...], as_date: Any) -> None:
    """One job; text stays text, even where it looks like a number."""
    for column, value in enumerate(cells):
        if isinstance(value, date):
            sheet.write_datetime(row, column, value, as_date)
        elif isinstance(value, str) and value:
            sheet.write_string(row, column, value)
        elif isinstance(value, int | float):
            sheet.write_number(row, column, value)


def _key(town: Town, drawn: list[tuple[Job, date]], rows: list[int]) -> pl.DataFrame:
    """What each row of the workbook means."""
    look = np.array([job.look for job, _ in drawn], dtype=np.int64)
    return pl.DataFrame(
        {
            "source_row": pl.Series(rows, dtype=pl.Int64),
            "lot_id": lot_ids(town.looks.lot[look]),
            "inspection_id": inspection_ids(town.looks).gather(pl.Series(look, dtype=pl.UInt32)),
            "inspection_date": pl.Series([day for _, day in drawn], dtype=pl.Date),
            "materials": pl.Series([" > ".join(job.materials) for job, _ in drawn], dtype=pl.String),
            "length_ft": town.looks.end_ft[look],
            "purpose": words(PURPOSES, town.looks.purpose[look]),
            "verdict": words(VERDICTS, town.notes.verdict[look]),
            "duplicate_of": pl.Series(
                [None if job.duplicate_of is None else rows[job.duplicate_of] for job, _ in drawn],
                dtype=pl.Int64,
            ),
        }
    )
