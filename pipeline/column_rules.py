"""The column map: which header of a stranger's file is which column of the contract, and what its words mean.

A map is a small TOML file:

    layout = "jobs"                  # a table of the contract, or "jobs" for one row per inspection
    sheet = "Jobs"                   # optional, as are header_row, delimiter, decimal and grid
    decimal = ","
    grid = 2227                      # EPSG code of a geographic file's coordinates where the file does not say
                                     # it, or "local" for feet of a grid without a code

    [columns.inspection_date]
    from = "Date of job"
    format = "mdy"

    [columns.end_ft]
    from = "Length"                  # or a list of headers, joined with a space
    unit = "m"                       # the unit of a number that names none itself

    [columns.purpose]
    value = "pre_sale"               # the same for every row

    [values.overall_verdict]
    "no issues" = "serviceable"

    [values.material]
    "CIP" = "cast_iron"

`pipeline.proposal.propose` makes a first map from a file's headers; `pipeline.validate` applies one.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Any

import tomli_w
from rapidfuzz import fuzz, process

from pipeline.columns import LAYOUTS, Column, Table
from pipeline.errors import SettingsError
from pipeline.material_runs import MATERIAL_CODES, codes_of_run
from pipeline.quantities import is_date_format, units_for

TOP_KEYS = ("layout", "sheet", "header_row", "delimiter", "decimal", "grid", "columns", "values")
#: A grid of feet without an EPSG code.
LOCAL_GRID = "local"
FIRST_EPSG, LAST_EPSG = 1024, 32767
RULE_KEYS = ("from", "unit", "format", "value", "true", "false", "blank")


@dataclass(frozen=True, slots=True)
class ColumnRule:
    """Where one column of the contract comes from, and how to read it.

    Attributes
    ----------
    headers : tuple of str
        Headers of the file; several are joined with a space. Empty where `value` is given.
    unit : str or None
        Unit of a number that names none itself; None means the contract's own.
    formats : tuple of str
        Date formats, tried in order: "mdy", "dmy", "ymd", or a strptime pattern. Empty: found by itself.
    value : str or None
        The same value for every row.
    true_words, false_words : tuple of str
        Words for yes and no, besides the usual ones.
    blank_words : tuple of str
        Words that mean "not recorded", besides the usual ones; e.g. "1900" in a year column.
    """

    headers: tuple[str, ...] = ()
    unit: str | None = None
    formats: tuple[str, ...] = ()
    value: str | None = None
    true_words: tuple[str, ...] = ()
    false_words: tuple[str, ...] = ()
    blank_words: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ColumnMap:
    """A checked column map.

    Attributes
    ----------
    layout : str
        A key of `columns.LAYOUTS`.
    columns : mapping of str to ColumnRule
        By canonical column name.
    values : mapping of str to mapping of str to str
        By canonical column name: their word, lower case and trimmed, to our code.
    sheet, header_row, delimiter
        As `readers.read` takes them.
    decimal : str
        "." or ",".
    grid : int or str or None
        EPSG code of a geographic file's coordinates, or "local"; None where the file says it.
    name : str or None
        File name the map was read from; None for a proposed one.
    """

    layout: str
    columns: Mapping[str, ColumnRule]
    values: Mapping[str, Mapping[str, str]] = field(default_factory=lambda: MappingProxyType({}))
    sheet: str | None = None
    header_row: int | None = None
    delimiter: str | None = None
    decimal: str = "."
    grid: int | str | None = None
    name: str | None = None

    @property
    def table(self) -> Table:
        """The layout's columns."""
        return LAYOUTS[self.layout]

    @classmethod
    def from_file(cls, path: str | Path) -> ColumnMap:
        """Read a map file.

        Raises
        ------
        SettingsError
            The file cannot be read, is no TOML, or says something impossible.
        """
        path = Path(path)
        try:
            text = path.read_text(encoding="utf-8-sig")
        except OSError as exc:
            raise SettingsError(
                f"{path.name}: the column map cannot be read ({exc.strerror or exc}). Check the path given to --map."
            ) from exc
        except UnicodeDecodeError as exc:
            raise SettingsError(f"{path.name}: the column map is not UTF-8 text. Save it as UTF-8.") from exc
        return cls.from_toml(text, name=path.name)

    @classmethod
    def from_toml(cls, text: str, *, name: str | None = None) -> ColumnMap:
        """Parse a map.

        Raises
        ------
        SettingsError
            The text is no TOML, or names a key, layout, column, unit, date format or code that does not exist.
        """
        where = name or "column map"
        try:
            data = tomllib.loads(text)
        except tomllib.TOMLDecodeError as exc:
            raise SettingsError(f"{where}: this is not valid TOML: {exc}.") from exc
        return _Parser(where).parse(data, name)

    def to_toml(self) -> str:
        """Write the map as TOML; `from_toml` reads it back to an equal map."""
        data: dict[str, Any] = {"layout": self.layout}
        for key in ("sheet", "header_row", "delimiter", "grid"):
            if getattr(self, key) is not None:
                data[key] = getattr(self, key)
        if self.decimal != ".":
            data["decimal"] = self.decimal
        data["columns"] = {column: _rule_to_dict(rule) for column, rule in self.columns.items()}
        if self.values:
            data["values"] = {column: dict(words) for column, words in self.values.items()}
        return tomli_w.dumps(data)


def _rule_to_dict(rule: ColumnRule) -> dict[str, Any]:
    """Keep only what the rule says."""
    entry: dict[str, Any] = {}
    if rule.headers:
        entry["from"] = rule.headers[0] if len(rule.headers) == 1 else list(rule.headers)
    if rule.unit is not None:
        entry["unit"] = rule.unit
    if rule.formats:
        entry["format"] = rule.formats[0] if len(rule.formats) == 1 else list(rule.formats)
    if rule.value is not None:
        entry["value"] = rule.value
    for key, words in (("true", rule.true_words), ("false", rule.false_words), ("blank", rule.blank_words)):
        if words:
            entry[key] = list(words)
    return entry


def near(word: str, known: tuple[str, ...]) -> str:
    """Return ' Did you mean …?' with the nearest known names, or nothing when none is near."""
    hits = [name for name, _, _ in process.extract(word, known, scorer=fuzz.ratio, limit=3, score_cutoff=60)]
    return f" Did you mean {' or '.join(repr(hit) for hit in hits)}?" if hits else ""


def fold(word: str) -> str:
    """Lower case, single spaces: how words are compared."""
    return " ".join(word.split()).casefold()


@dataclass(frozen=True, slots=True)
class _Parser:
    """Turns the parsed TOML into a ColumnMap; `where` names the map in every message."""

    where: str

    def fail(self, problem: str) -> SettingsError:
        return SettingsError(f"{self.where}: {problem}")

    def parse(self, data: dict[str, Any], name: str | None) -> ColumnMap:
        self.known_keys(data, TOP_KEYS, "the map")
        table = self.layout(data)
        columns = {
            column: self.rule(table, column, entry) for column, entry in self.section(data, "columns").items()
        }
        if not columns:
            raise self.fail("it maps no columns. Add at least one [columns.<name>] section.")
        values = {
            column: self.words(table, column, entry) for column, entry in self.section(data, "values").items()
        }
        decimal = self.text(data, "decimal", "the map") or "."
        if decimal not in {".", ","}:
            raise self.fail(f'decimal is {decimal!r}; it must be "." or ",".')
        header_row = data.get("header_row")
        if header_row is not None and (not isinstance(header_row, int) or header_row < 1):
            raise self.fail(f"header_row is {header_row!r}; it must be a row number, 1 or more.")
        return ColumnMap(
            layout=table.name,
            columns=MappingProxyType(columns),
            values=MappingProxyType(values),
            sheet=self.text(data, "sheet", "the map"),
            header_row=header_row,
            delimiter=self.delimiter(data),
            decimal=decimal,
            grid=self.grid(data),
            name=name,
        )

    def known_keys(self, data: dict[str, Any], known: tuple[str, ...], place: str) -> None:
        for key in data:
            if key not in known:
                raise self.fail(
                    f"{place} has an unknown key {key!r}.{near(key, known)} Known keys: {', '.join(known)}."
                )

    def section(self, data: dict[str, Any], key: str) -> dict[str, dict[str, Any]]:
        section = data.get(key, {})
        if not isinstance(section, dict) or not all(isinstance(entry, dict) for entry in section.values()):
            raise self.fail(f"[{key}] must hold one section per column, such as [{key}.lot_id].")
        return section

    def text(self, data: dict[str, Any], key: str, place: str) -> str | None:
        value = data.get(key)
        if value is not None and not isinstance(value, str):
            raise self.fail(f"{key} of {place} is {value!r}; it must be text in quotation marks.")
        return value

    def grid(self, data: dict[str, Any]) -> int | str | None:
        grid = data.get("grid")
        is_code = type(grid) is int and FIRST_EPSG <= grid <= LAST_EPSG
        if grid is None or grid == LOCAL_GRID or is_code:
            return grid
        raise self.fail(
            f'grid is {grid!r}; it must be an EPSG code such as 2227, or "{LOCAL_GRID}" for a grid of feet without one.'
        )

    def delimiter(self, data: dict[str, Any]) -> str | None:
        delimiter = self.text(data, "delimiter", "the map")
        if delimiter is not None and len(delimiter) != 1:
            raise self.fail(f"delimiter is {delimiter!r}; it must be one character.")
        return delimiter

    def layout(self, data: dict[str, Any]) -> Table:
        layout = self.text(data, "layout", "the map")
        known = tuple(LAYOUTS)
        if layout is None:
            raise self.fail(
                f'it does not say the layout. Add a line such as layout = "jobs" ({", ".join(known)}).'
            )
        if layout not in LAYOUTS:
            raise self.fail(
                f"there is no layout {layout!r}.{near(layout, known)} Layouts: {', '.join(known)}."
            )
        return LAYOUTS[layout]

    def column(self, table: Table, name: str) -> Column:
        column = table.by_name.get(name)
        if column is None:
            known = tuple(table.by_name)
            raise self.fail(
                f"layout {table.name!r} has no column {name!r}.{near(name, known)} Columns: {', '.join(known)}."
            )
        return column

    def strings(self, entry: dict[str, Any], key: str, place: str) -> tuple[str, ...]:
        value = entry.get(key, [])
        if isinstance(value, str):
            return (value,)
        if isinstance(value, list) and all(isinstance(item, str) for item in value):
            return tuple(value)
        raise self.fail(
            f"{key} of {place} is {value!r}; it must be text in quotation marks, or a list of such."
        )

    def rule(self, table: Table, name: str, entry: dict[str, Any]) -> ColumnRule:
        column = self.column(table, name)
        place = f"[columns.{name}]"
        self.known_keys(entry, RULE_KEYS, place)
        rule = ColumnRule(
            headers=self.strings(entry, "from", place),
            unit=self.text(entry, "unit", place),
            formats=self.strings(entry, "format", place),
            value=self.text(entry, "value", place),
            true_words=tuple(fold(word) for word in self.strings(entry, "true", place)),
            false_words=tuple(fold(word) for word in self.strings(entry, "false", place)),
            blank_words=tuple(fold(word) for word in self.strings(entry, "blank", place)),
        )
        if bool(rule.headers) == (rule.value is not None):
            raise self.fail(f'{place} needs either from = "Header" or value = "…", and not both.')
        self.fits(column, rule, place)
        return rule

    def fits(self, column: Column, rule: ColumnRule, place: str) -> None:
        if rule.unit is not None:
            known = units_for(column.name)
            if rule.unit not in known:
                options = f"Units: {', '.join(known)}." if known else "This column has no unit."
                raise self.fail(f"{place} has unit {rule.unit!r}.{near(rule.unit, known)} {options}")
        for pattern in rule.formats:
            if column.kind != "date" or not is_date_format(pattern):
                raise self.fail(
                    f'{place} has format {pattern!r}; a date column takes "mdy", "dmy", "ymd" or a '
                    'pattern such as "%d.%m.%Y", other columns take none.'
                )
        if (rule.true_words or rule.false_words) and column.kind != "flag":
            raise self.fail(f"{place} has words for true or false, but {column.name} is not a yes/no column.")

    def words(self, table: Table, name: str, entry: dict[str, Any]) -> Mapping[str, str]:
        target = "material_run" if name == "material" and "material_run" in table.by_name else name
        column = self.column(table, target)
        for word, code in entry.items():
            if not isinstance(code, str):
                raise self.fail(f"[values.{name}]: {word!r} is mapped to {code!r}; it must be text.")
            self.check_code(column, name, word, code)
        return MappingProxyType({fold(word): code for word, code in entry.items()})

    def check_code(self, column: Column, name: str, word: str, code: str) -> None:
        if column.name == "material_run":
            known, given = MATERIAL_CODES, codes_of_run(code)
        elif column.codes is not None:
            known, given = column.codes.codes(), (code,)
        else:
            advice = " Use true and false in its [columns] section." if column.kind == "flag" else ""
            raise self.fail(f"[values.{name}]: {name} is not filled from a list of codes.{advice}")
        for item in given:
            # "" is allowed: their word means "not recorded".
            if item and item not in known:
                raise self.fail(
                    f"[values.{name}]: {word!r} is mapped to {item!r}, which is no code of {name}."
                    f"{near(item, known)} Codes: {', '.join(known)}."
                )
