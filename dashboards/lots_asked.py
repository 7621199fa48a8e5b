"""SQL for the lots, and the looks, that a view asks for; values only ever stand in for question marks."""

from __future__ import annotations

from typing import Any

from dashboards.filters import CHANCE_CLASSES, NO_CHANCE, Options, View
from pipeline.published.read import PublishedReader

Values = list[Any]

#: Which of the classes of chances a lot of `lots` lies in.
CLASS = "CASE WHEN failure_probability IS NULL THEN {} {} ELSE {} END".format(
    NO_CHANCE,
    " ".join(f"WHEN failure_probability < {end} THEN {i}" for i, end in enumerate(CHANCE_CLASSES[:-1])),
    len(CHANCE_CLASSES) - 1,
)


def where_lots(view: View) -> tuple[str, Values]:
    """Return a condition on table `lots`, and its values."""
    parts, values = ["true"], Values()
    for column, given in (("subdivision", view.subdivision), ("portfolio", view.portfolio)):
        if given:
            parts.append(f"{column} = ?")
            values.append(given)
    if view.chance == NO_CHANCE:
        parts.append("failure_probability IS NULL")
    elif view.chance is not None:
        parts.append(f"{CLASS} = ?")
        values.append(view.chance)
    pipes, chosen = _any_of({"material": view.material, "era": view.era})
    if chosen:
        parts.append(f"pipe_set IN (SELECT pipe_set FROM pipe_sets WHERE {pipes})")  # noqa: S608 - our own words
        values += chosen
    if view.asks_for_looks:
        looks, chosen = _any_of({"purpose": view.purpose})
        parts.append(
            f"look_set IN (SELECT look_set FROM look_sets WHERE {looks} AND look_year BETWEEN ? AND ?)"  # noqa: S608 - our own words
        )
        values += [*chosen, view.first_year or 0, view.last_year or 9999]
    return " AND ".join(parts), values


def where_looks(view: View) -> tuple[str, Values]:
    """Return a condition on `look_groups` and `look_histories`, and its values.

    Looks made because something was already wrong are only in it where their reason is asked for.
    """
    condition, values = _any_of({"era": view.era, "purpose": view.purpose})
    for column, given in (("subdivision", view.subdivision), ("portfolio", view.portfolio)):
        if given:
            condition += f" AND {column} = ?"
            values.append(given)
    if not view.purpose:
        condition += " AND NOT is_selected"
    return _within_years(condition, values, view)


def where_expected(view: View) -> tuple[str, Values]:
    """Return a condition on `lot_expectations`, by the look of each lot that counts there, and its values."""
    return _within_years(*_any_of({"purpose": view.purpose}), view)


def _within_years(condition: str, values: Values, view: View) -> tuple[str, Values]:
    if view.first_year is None and view.last_year is None:
        return condition, values
    return (
        f"{condition} AND look_year BETWEEN ? AND ?",
        [*values, view.first_year or 0, view.last_year or 9999],
    )


def _any_of(given: dict[str, tuple[str, ...]]) -> tuple[str, Values]:
    parts, values = ["true"], Values()
    for column, codes in given.items():
        if codes:
            parts.append(f"list_contains(?, {column})")
            values.append(list(codes))
    return " AND ".join(parts), values


def options(reader: PublishedReader) -> Options:
    """Return what the records offer to choose from."""

    def distinct(sql: str) -> tuple[Any, ...]:
        return tuple(reader.query(sql).to_series().to_list())

    return Options(
        subdivision=distinct("SELECT subdivision FROM subdivisions ORDER BY 1"),
        portfolio=distinct("SELECT DISTINCT portfolio FROM lots WHERE portfolio IS NOT NULL ORDER BY 1"),
        material=distinct("SELECT material FROM lot_segments GROUP BY 1 ORDER BY count(*) DESC, 1"),
        era=distinct(
            "SELECT era FROM lot_segments WHERE era IS NOT NULL GROUP BY 1 ORDER BY starts_with(era, 'unknown'), "
            "starts_with(era, 'before') DESC, 1"
        ),
        purpose=distinct(
            "SELECT purpose FROM lot_inspections WHERE purpose IS NOT NULL GROUP BY 1 ORDER BY count(*) DESC, 1"
        ),
        years=distinct(
            "SELECT DISTINCT floor(look_year)::BIGINT FROM lot_inspections "
            "WHERE inspection_date IS NOT NULL AND look_year IS NOT NULL ORDER BY 1"
        ),
    )
