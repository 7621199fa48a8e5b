"""Stepped curves of the looks that a reader asks for, drawn on demand from the published looks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import polars as pl

from pipeline.published import contract
from pipeline.published.read import PublishedReader
from pipeline.published.stepped import Stepped, band_of_looks, counted, stepped_curve, verdict
from pipeline.vocabulary import Outcome

#: The simulated band of a build takes seconds; this one of first looks holds its level too, and is a little wider.
BAND_METHOD = "{:.0%} pointwise, by inverting the likelihood ratio of the first of these looks at each life, ages in whole years"

#: Lives alike in what the chosen looks say: last seen good and first seen bad at, and the first of these looks. As
#: `exposure.intervals` has it, a life counts as good up to its last good look before the first bad one.
INTERVALS = """
WITH seen AS MATERIALIZED (
    SELECT material, age_years, history, position, n_looks, is_selected, is_bad_{outcome} AS is_bad
    FROM look_histories
    WHERE list_contains(?, material) AND is_bad_{outcome} IS NOT NULL AND {condition}
),
turned AS (
    SELECT material, history, min(position) AS first_at, min(position) FILTER (is_bad) AS bad_at
    FROM seen
    WHERE history IS NOT NULL
    GROUP BY ALL
),
several AS (
    SELECT
        s.material,
        max(s.age_years) FILTER (NOT s.is_bad AND (t.bad_at IS NULL OR s.position < t.bad_at)) AS good_age,
        min(s.age_years) FILTER (s.is_bad) AS bad_age,
        min(s.age_years) AS first_age,
        any_value(t.bad_at IS NOT DISTINCT FROM t.first_at) AS is_first_bad,
        1 AS n_lives,
        sum(s.n_looks) AS n_looks,
        coalesce(sum(s.n_looks) FILTER (s.is_selected), 0) AS n_selected
    FROM seen AS s
    JOIN turned AS t ON t.material = s.material AND t.history = s.history
    GROUP BY s.material, s.history
),
every AS (
    SELECT
        material,
        if(is_bad, NULL, age_years) AS good_age,
        if(is_bad, age_years, NULL) AS bad_age,
        age_years AS first_age,
        is_bad AS is_first_bad,
        n_looks AS n_lives,
        n_looks,
        if(is_selected, n_looks, 0) AS n_selected
    FROM seen
    WHERE history IS NULL
    UNION ALL
    FROM several
)
SELECT
    material,
    coalesce(good_age, 0) AS "left",
    coalesce(bad_age, 'infinity'::DOUBLE) AS "right",
    first_age,
    is_first_bad,
    sum(n_lives)::BIGINT AS n_lives,
    sum(n_looks)::BIGINT AS n_looks,
    sum(n_selected)::BIGINT AS n_selected
FROM every
GROUP BY ALL
ORDER BY ALL
"""


@dataclass(frozen=True, slots=True)
class ChosenCurve:
    """The stepped curve of chosen looks at one material, or why there is none.

    Attributes
    ----------
    n_lives, n_looks, n_bad : int
        Lives with such a look, the looks, and the lives that these saw failed.
    n_selected : int
        Looks among them that were made because something was already wrong.
    status, sentence : str
        As in `curve_groups`.
    band_method : str
        How the band was made.
    drawn : Stepped or None
        The curve; None where too few records stand behind it.
    """

    n_lives: int
    n_looks: int
    n_bad: int
    n_selected: int
    status: str
    sentence: str
    band_method: str
    drawn: Stepped | None


def chosen_curves(
    reader: PublishedReader,
    outcome: str,
    materials: Sequence[str],
    condition: str,
    values: Sequence[Any],
) -> dict[str, ChosenCurve]:
    """Draw the stepped curve of each material from the looks for which a condition holds.

    Parameters
    ----------
    reader : PublishedReader
        What it may not see is in no curve.
    outcome : str
        What counts as failed.
    materials : sequence of str
        Codes.
    condition : str
        SQL on the columns of `look_histories`, with `?` for each value; of our own words only.
    values : sequence
        Values of the condition.

    Returns
    -------
    dict of str to ChosenCurve
        By material; one without any such look has counts of 0.
    """
    code = next(code for code in Outcome.codes() if code == outcome)
    found = reader.query(INTERVALS.format(outcome=code, condition=condition), [list(materials), *values])
    run = reader.run()
    return {
        material: _chosen(material, found.filter(pl.col("material") == material), run)
        for material in materials
    }


def _chosen(material: str, rows: pl.DataFrame, run: dict[str, Any]) -> ChosenCurve:
    n_lives, n_looks, n_selected = (int(rows[name].sum()) for name in ("n_lives", "n_looks", "n_selected"))
    n_bad = int(rows.filter(pl.col("right").is_finite())["n_lives"].sum())
    status, sentence = verdict(
        material, n_lives, n_bad, min_lives=run["min_lives"], min_events=run["min_events"]
    )
    level = run["curve_level"]
    drawn = _drawn(rows, level) if status == contract.STATUS_OK else None
    return ChosenCurve(
        n_lives, n_looks, n_bad, n_selected, status, sentence, BAND_METHOD.format(level), drawn
    )


def _drawn(rows: pl.DataFrame, level: float) -> Stepped:
    lives = counted(rows["left"], rows["right"], rows["n_lives"])
    firsts = rows.group_by(age="first_age").agg(
        n_looks=pl.col("n_lives").sum(), n_bad=(pl.col("n_lives") * pl.col("is_first_bad")).sum()
    )
    stepped = stepped_curve(lives, band_of_looks(firsts, lives.whole_ages, level))
    # The curve is of all looks and may leave the band of first ones by a little: the band is then extended to it.
    curve = stepped.curve.with_columns(
        failure_probability_lower=pl.min_horizontal("failure_probability_lower", "undetermined_from"),
        failure_probability_upper=pl.max_horizontal(
            "failure_probability_upper", pl.when("is_determined").then("undetermined_to")
        ),
    )
    return Stepped(curve, stepped.last_age, stepped.median_age, stepped.smoothing)


@cache
def warm_up() -> None:
    """Load the machine code of the fits, once for each process, so that no change of a filter waits for it."""
    few = pl.Series([1.0, 2.0, 3.0])
    lives = counted(few, few + 1)
    looks = pl.DataFrame({"age": few, "n_looks": [2, 2, 2], "n_bad": [0, 1, 2]})
    stepped_curve(lives, band_of_looks(looks, lives.whole_ages, 0.95))
