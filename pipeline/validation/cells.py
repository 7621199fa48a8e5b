"""One column of text to typed values and faults.

Clean columns (plain numbers, ISO dates, codes) are read by polars expressions; only what those leave over is
read in Python, once for each distinct text.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date

import polars as pl

from pipeline import quantities
from pipeline.column_rules import ColumnRule, fold
from pipeline.columns import Column, Kind
from pipeline.material_runs import parse_run
from pipeline.quantities import Fault, Order
from pipeline.trade_words import codes_by_word, word_key
from pipeline.vocabulary import Material, RejectReason

#: Type of each kind of column in the checked frames.
FRAME_TYPES: dict[Kind, pl.DataType] = {
    "text": pl.String(),
    "code": pl.String(),
    "integer": pl.Int32(),
    "number": pl.Float64(),
    "date": pl.Date(),
    "flag": pl.Boolean(),
}
#: Faults of single cells, before they become rejects.
FAULT_SCHEMA: dict[str, pl.DataType] = {
    "source_row": pl.Int64(),
    "column_name": pl.String(),
    "value": pl.String(),
    "reason_code": pl.String(),
    "reason": pl.String(),
}

NAMES_OF_PLACES = frozenset({"address", "subdivision", "block", "portfolio"})
#: What a spreadsheet shows where a formula failed; its own files hold nothing there.
FORMULA_FAULTS = frozenset(
    {"#ref!", "#value!", "#div/0!", "#name?", "#null!", "#num!", "#spill!", "#calc!", "#getting_data"}
)
NO_NAMES = sorted(quantities.BLANK_WORDS | FORMULA_FAULTS)

Value = str | float | int | date | bool
#: Reads one text; None means that nothing is recorded in it.
Reader = Callable[[str], "Value | Fault | None"]


@dataclass(frozen=True, slots=True)
class Typed:
    """A column after reading: values where they could be read, null elsewhere, and the faults."""

    values: pl.Series
    faults: pl.DataFrame


@dataclass(frozen=True, slots=True)
class Reading:
    """What reading a cell depends on besides its text.

    Attributes
    ----------
    column : Column
        The contract's column.
    rule : ColumnRule
        The map's rule for it.
    words : mapping of str to str
        The map's words for it.
    decimal : str
        "." or ",".
    today : date
        Decides the century of two-digit years.
    """

    column: Column
    rule: ColumnRule
    words: Mapping[str, str]
    decimal: str
    today: date


def read_column(given: pl.Series, source_row: pl.Series, reading: Reading) -> Typed:
    """Type one column.

    Parameters
    ----------
    given : polars.Series
        Text as given, null where empty.
    source_row : polars.Series
        Row numbers for the faults.
    reading : Reading
        Column, map and decimal sign.
    """
    kind = FRAME_TYPES[reading.column.kind]
    given = _without_blank_words(given, reading.rule.blank_words)
    if reading.column.kind == "text":
        return Typed(_read_text(given, reading.column), pl.DataFrame(schema=FAULT_SCHEMA))
    values = _fast(given, reading).cast(kind, strict=False)
    left = values.is_null() & given.is_not_null()
    if not left.any():
        return Typed(values, pl.DataFrame(schema=FAULT_SCHEMA))
    return _read_left_over(given, values, left, source_row, reading)


def _without_blank_words(given: pl.Series, words: tuple[str, ...]) -> pl.Series:
    if not words:
        return given
    return given.to_frame("c").select(
        pl.when(pl.col("c").str.strip_chars().str.to_lowercase().is_in(list(words)).not_()).then(pl.col("c"))
    )["c"]


def _read_text(given: pl.Series, column: Column) -> pl.Series:
    """Keep text, trimmed; an id that a spreadsheet has turned into a decimal number ("2.0") becomes "2" again.

    Where a place is named, a word for "nothing" is no name: all rows that carry it would become one place.
    """
    text = given.str.strip_chars()
    text = text.set(text == "", None)
    if column.name.endswith("_id") or column.name in NAMES_OF_PLACES:
        text = text.set(text.str.to_lowercase().is_in(NO_NAMES), None)
    if column.name.endswith("_id") and text.str.contains(".0", literal=True).any():
        text = text.str.replace(r"^(\d+)\.0+$", "$1")
    return text


def _read_left_over(
    given: pl.Series, values: pl.Series, left: pl.Series, source_row: pl.Series, reading: Reading
) -> Typed:
    """Read each distinct text that the fast way could not."""
    texts = given.filter(left).unique().to_list()
    reader = _reader(reading, texts)
    read = {text: reader(text) for text in texts}
    good = {text: value for text, value in read.items() if not isinstance(value, Fault)}
    bad = {text: fault for text, fault in read.items() if isinstance(fault, Fault)}
    if good:
        late = given.replace_strict(list(good), list(good.values()), default=None, return_dtype=values.dtype)
        values = values.fill_null(late)
    lines = pl.DataFrame(
        {
            "value": list(bad),
            "reason_code": [fault.code.value for fault in bad.values()],
            "reason": [fault.reason for fault in bad.values()],
        },
        schema={"value": pl.String, "reason_code": pl.String, "reason": pl.String},
    )
    faults = (
        pl.DataFrame({"source_row": source_row, "value": given})
        .filter(left)
        .join(lines, on="value", how="inner", maintain_order="left")
        .with_columns(pl.lit(reading.column.name).alias("column_name"))
        .select(list(FAULT_SCHEMA))
    )
    return Typed(values, faults)


# ------------------------------------------------------------------ the fast way


def _fast(given: pl.Series, reading: Reading) -> pl.Series:
    """Read what needs no thought; null elsewhere."""
    column = reading.column
    if column.kind in {"number", "integer"}:
        return _fast_number(given, reading)
    if column.kind == "date" and not reading.rule.formats:
        return _fast_date(given)
    return pl.Series(given.name, [None] * given.len(), dtype=FRAME_TYPES[column.kind])


def _fast_date(given: pl.Series) -> pl.Series:
    """Read ISO dates; a time of day, as spreadsheets add it, is dropped."""
    days = given.str.to_date("%Y-%m-%d", strict=False)
    if (days.is_null() & given.is_not_null()).any():
        timed = pl.when(pl.col("c").str.contains(r"^\d{4}-\d\d-\d\d[ T]\d\d:\d\d")).then(
            pl.col("c").str.head(10)
        )
        days = days.fill_null(given.to_frame("c").select(timed.str.to_date("%Y-%m-%d", strict=False))["c"])
    return days


def _fast_number(given: pl.Series, reading: Reading) -> pl.Series:
    text = pl.col("c")
    if reading.decimal == ",":
        text = pl.when(text.str.contains(r"^[+-]?\d+(,\d+)?$")).then(text.str.replace(",", ".", literal=True))
    number = text.cast(pl.Float64, strict=False) * quantities.factor(reading.column.name, reading.rule.unit)
    keep = number.is_finite()
    if reading.column.kind == "integer":
        keep &= number == number.round()
    if is_year(reading.column):
        # A year of 0 is how assessors' files write "not known"; the reader of left-overs makes it null.
        keep &= number != 0
    return given.to_frame("c").select(pl.when(keep).then(number))["c"]


# ------------------------------------------------------------------ one text at a time


def is_year(column: Column) -> bool:
    """Whether the column holds a calendar year."""
    return column.kind == "integer" and ("year" in column.name)


def _reader(reading: Reading, texts: list[str]) -> Reader:
    """Return the reader of single texts for a column."""
    column, rule = reading.column, reading.rule
    blank = quantities.BLANK_WORDS | frozenset(rule.blank_words)

    def unless_blank(read: Reader) -> Reader:
        return lambda text: None if fold(text) in blank else read(text)

    if column.kind == "flag":
        return unless_blank(_flag_reader(rule))
    if column.codes is Material:
        return lambda text: _one_material(text, reading.words)
    if column.codes is not None:
        return _code_reader(reading, blank)
    if column.kind == "date":
        dates = [text for text in texts if fold(text) not in blank]
        order = None if rule.formats else proven_order(dates, today=reading.today)
        return unless_blank(
            lambda text: quantities.parse_date(text, today=reading.today, formats=rule.formats, order=order)
        )
    return unless_blank(_year_reader(reading) if is_year(column) else _number_reader(reading))


def proven_order(texts: list[str], *, today: date) -> Order | None:
    """Order of day and month that a column's own values prove; None where none or both are proven."""
    orders = [quantities.orders_possible(text, today=today) for text in texts]
    proven = {next(iter(possible)) for possible in orders if len(possible) == 1} - {"ymd"}
    return proven.pop() if len(proven) == 1 else None


def _flag_reader(rule: ColumnRule) -> Reader:
    def read(text: str) -> Value | Fault:
        word = fold(text)
        if word in rule.true_words:
            return True
        if word in rule.false_words:
            return False
        if word in quantities.TRUE_WORDS or word in quantities.FALSE_WORDS:
            return word in quantities.TRUE_WORDS
        return Fault(
            RejectReason.UNKNOWN_CODE,
            f"{text!r} is neither yes nor no. Correct it, or name it under true or false of this column in the map.",
        )

    return read


def _one_material(text: str, words: Mapping[str, str]) -> Value | Fault:
    run = parse_run(text, words=words)
    if isinstance(run, Fault):
        return run
    if len(run) == 1:
        return run[0].material
    return Fault(
        RejectReason.AMBIGUOUS_MATERIAL,
        f"{text!r} names {len(run)} materials where one segment has one. Give each segment its own row.",
    )


def _code_reader(reading: Reading, blank: frozenset[str]) -> Reader:
    column = reading.column
    assert column.codes is not None
    by_word = codes_by_word(column.codes, reading.words)
    codes = ", ".join(column.codes.codes())

    def read(text: str) -> Value | Fault | None:
        code = by_word.get(word_key(text))
        if code is not None:
            return code or None
        if fold(text) in blank:
            return None
        return Fault(
            RejectReason.UNKNOWN_CODE,
            f"{text!r} is no known word for {column.name}. Explain it under [values.{column.name}] in the column map "
            f"as one of: {codes}.",
        )

    return read


def _number_reader(reading: Reading) -> Reader:
    column, rule = reading.column, reading.rule
    own_unit = next(
        (unit for suffix, unit in (("_ft", "ft"), ("_in", "in")) if column.name.endswith(suffix)), None
    )

    def read(text: str) -> Value | Fault:
        if own_unit is not None:
            value = quantities.parse_length(
                text, unit=rule.unit or own_unit, to=own_unit, decimal=reading.decimal
            )
        else:
            value = quantities.parse_number(text, decimal=reading.decimal)
            if isinstance(value, float):
                value *= quantities.factor(column.name, rule.unit)
        if isinstance(value, Fault) or column.kind == "number":
            return value
        if value == round(value):
            return int(value)
        return Fault(
            RejectReason.NOT_A_NUMBER, f"{text!r} is no whole number. Correct it, or leave it empty."
        )

    return read


def _year_reader(reading: Reading) -> Reader:
    """Read years; a full date gives its year."""
    number = _number_reader(reading)

    def read(text: str) -> Value | Fault | None:
        value = number(text)
        if not isinstance(value, Fault):
            return value or None
        found = quantities.parse_date(text, today=reading.today, order="mdy")
        if isinstance(found, Fault):
            return Fault(
                RejectReason.NOT_A_NUMBER, f"{text!r} is no year. Write it as 1952, or leave it empty."
            )
        return found.year

    return read
