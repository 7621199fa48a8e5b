"""The contract itself: every column says what it is, in the units the names promise."""

from __future__ import annotations

import re

import pytest

from pipeline.published import contract

SUFFIX_UNITS = {
    "_ft": "ft",
    "_in": "in",
    "_years": "years",
    "_share": "share",
    "_probability": "probability",
    "_pct": "%",
}
COLUMNS = [(table.name, column) for table in contract.TABLES.values() for column in table.columns]


@pytest.mark.parametrize(("table", "column"), COLUMNS, ids=lambda value: getattr(value, "name", value))
def test_each_column_is_described(table: str, column: contract.PublishedColumn) -> None:
    assert column.text
    assert re.fullmatch(r"[a-z][a-z0-9_]*", column.name)
    if column.kind == "number":
        assert column.unit, f"{table}.{column.name} has no unit"
    base = re.sub(r"_(lower|upper|from|to)$", "", column.name)
    for suffix, unit in SUFFIX_UNITS.items():
        if base.endswith(suffix) and column.kind not in {"flag", "text", "code"}:
            assert unit in column.unit, f"{table}.{column.name} is not in {unit}"
    if column.name.startswith("n_"):
        assert column.kind == "integer"
    if column.name.startswith(("is_", "has_")):
        assert column.kind == "flag"


@pytest.mark.parametrize("table", contract.TABLES.values(), ids=lambda table: table.name)
def test_each_table_has_a_key_of_its_own_columns(table: contract.PublishedTable) -> None:
    assert table.key
    assert set(table.key) <= set(table.names)
    assert len(set(table.names)) == len(table.names)


def test_every_bound_has_what_it_bounds() -> None:
    for table in contract.TABLES.values():
        for name in table.names:
            for end, other in (("_lower", "_upper"), ("_upper", "_lower")):
                if name.endswith(end):
                    assert name.removesuffix(end) in table.names
                    assert name.removesuffix(end) + other in table.names


def test_no_owner_or_person_is_published() -> None:
    forbidden = ("owner", "name_of", "operator", "phone", "mail", "price", "tenure")
    for _, column in COLUMNS:
        assert not any(word in column.name for word in forbidden)
