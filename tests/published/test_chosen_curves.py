"""Curves of chosen looks: those of the build where all are chosen, and of exactly the looks that were asked for."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import duckdb
import numpy as np
import polars as pl
import pytest

from models.bands import likelihood_ratio_band
from models.interval_bands import first_look_band
from models.npmle import NPMLE
from pipeline.published import write
from pipeline.published.chosen_curves import chosen_curves
from pipeline.published.contract import TABLES
from pipeline.published.read import PublishedReader, open_current
from pipeline.published.scope import Scope
from pipeline.settings import Settings
from pipeline.steps.fit_curves import curves
from pipeline.steps.fit_input import WHOLE_COLUMNS, AsOf, Exposure, outcome_looks
from pipeline.steps.group_looks import look_groups, look_histories
from pipeline.vocabulary import Correction, Outcome
from pipeline.warehouse import sql_text
from tests.browser import made_up

NOW = 2026.0
MATERIALS = ("cast_iron", "pvc")
N_LIVES = 600


def invented(seed: int = 3, most_looks: int = 4) -> tuple[Exposure, pl.DataFrame]:
    """Lives with up to four looks each, a third of them after a backup, some of one day, some that contradict."""
    rng = np.random.default_rng(seed)
    life = np.arange(N_LIVES)
    installed = rng.integers(1930, 1990, N_LIVES) + rng.choice([0.0, 0.4], N_LIVES)
    wide = rng.random(N_LIVES) < 0.1
    lives = pl.DataFrame(
        {
            "life_id": life, "lot_id": [f"L{k // 2}" for k in life], "material": np.where(life % 3 == 0, *MATERIALS),
            "era": np.where(installed < 1958, "1940_1957", "1958_1979"),
            "subdivision": np.where(life % 4 < 2, "East", "West"), "now": NOW, "age_now": NOW - installed,
            "install_from": installed - NOW - np.where(wide, 4.0, 0.0), "install_to": installed - NOW + np.where(wide, 4.0, 0.0),
        }
    )  # fmt: skip
    of = np.repeat(life, rng.integers(1, most_looks + 1, N_LIVES))
    year = 2000 + np.round(25 * rng.random(len(of)), 1)
    # Looks of one day are made of a part of them.
    year = np.where(rng.random(len(of)) < 0.1, 2010.5, year)
    failed_at = installed + 60 * rng.weibull(3.0, N_LIVES)
    bad = (year >= failed_at[of]) ^ (rng.random(len(of)) < 0.08)
    purpose = rng.choice(["pre_sale", "routine", "backup"], len(of))
    whole = {
        column: pl.Series(np.where(rng.random(len(of)) < 0.15, np.nan, bad), nan_to_null=True).cast(pl.Int16)
        for column in WHOLE_COLUMNS.values()
    }
    looks = pl.DataFrame(
        {
            "inspection_id": [f"I{k}" for k in range(len(of))], "life_id": of, "look_year": year, "purpose": purpose,
            "is_selected": purpose == "backup", "basis": "findings", "is_after_repair": False, **whole,
        },
        strict=False,
    ).join(lives.select("life_id", "lot_id", middle=pl.col("now") - pl.col("age_now")), on="life_id").with_columns(
        age=pl.col("look_year") - pl.col("middle"), look_at=pl.col("look_year") - NOW
    )  # fmt: skip
    portfolios = lives.select("lot_id", portfolio=pl.when(pl.col("life_id") % 10 < 4).then(pl.lit("Ours"))).unique("lot_id")  # fmt: skip
    return Exposure(lives, looks, looks.clear(), AsOf(NOW, "invented"), 0), portfolios


def intervals_of(exposure: Exposure) -> pl.DataFrame:
    """The exposure table of intervals, made by its own SQL."""
    lives = exposure.lives.with_columns(
        install_year_min=pl.col("now") + pl.col("install_from"),
        install_year_max=pl.col("now") + pl.col("install_to"),
    ).to_arrow()
    looks = exposure.looks.to_arrow()
    with duckdb.connect() as con:
        con.execute("CREATE SCHEMA exposure")
        for name, rows in (("lives", lives), ("looks", looks)):
            con.register("incoming", rows)
            con.execute(f"CREATE TABLE exposure.{name} AS FROM incoming")
        con.execute(sql_text("exposure/intervals"))
        return con.sql("FROM exposure.intervals").pl()


@pytest.fixture(scope="module")
def town() -> tuple[Exposure, pl.DataFrame]:
    return invented()


@pytest.fixture(scope="module")
def folder(town: tuple[Exposure, pl.DataFrame], tmp_path_factory: pytest.TempPathFactory) -> Path:
    return published(tmp_path_factory.mktemp("chosen"), *town)


def published(folder: Path, exposure: Exposure, lots: pl.DataFrame) -> Path:
    tables = made_up.frames()
    made_up.publish(
        folder,
        tables
        | {
            "look_histories": look_histories(exposure, lots),
            "look_groups": look_groups(exposure, lots),
            "lots": tables["lots"].with_columns(portfolio=pl.lit("Ours")),
        },
    )
    return folder


@pytest.fixture
def reader(folder: Path) -> Iterator[PublishedReader]:
    with open_current(folder) as opened:
        yield opened


def by_hand(
    exposure: Exposure, outcome: str, material: str, chosen: pl.Expr
) -> tuple[list[float], list[float]]:
    """Intervals (L, R] in whole years, life by life, as the design has them."""
    narrow = exposure.lives.filter(
        (pl.col("install_to") - pl.col("install_from") <= 5) & (pl.col("material") == material)
    )
    described = exposure.looks.join(narrow.select("life_id", "era", "subdivision"), on="life_id")
    left, right = [], []
    judged = described.filter(chosen & pl.col(WHOLE_COLUMNS[outcome]).is_not_null())
    for _, looks in judged.sort("life_id", "look_year").group_by("life_id", maintain_order=True):
        bad = [
            (row["look_year"], row["age"])
            for row in looks.iter_rows(named=True)
            if row[WHOLE_COLUMNS[outcome]] == 1
        ]
        good = [
            row["age"] for row in looks.iter_rows(named=True)
            if row[WHOLE_COLUMNS[outcome]] == 0 and (not bad or row["look_year"] < bad[0][0])
        ]  # fmt: skip
        last = max((round(age) for age in good), default=0)
        left.append(float(last))
        right.append(max(float(round(bad[0][1])), last + 1.0) if bad else np.inf)
    return left, right


@pytest.mark.parametrize("outcome", Outcome.codes())
def test_all_fair_looks_give_the_curve_of_the_build(
    town: tuple[Exposure, pl.DataFrame], reader: PublishedReader, outcome: str
) -> None:
    exposure, _ = town
    groups, rows = curves(
        exposure.lives, outcome_looks(exposure, outcome), intervals_of(exposure), outcome, Settings()
    )
    assert groups["status"].to_list() == ["ok", "ok"]
    found = chosen_curves(reader, outcome, MATERIALS, "NOT is_selected", [])
    for group in groups.iter_rows(named=True):
        ours = found[group["material"]]
        assert (ours.n_lives, ours.n_looks, ours.n_bad) == (
            group["n_lives"],
            group["n_looks"],
            group["n_bad"],
        )
        assert (ours.status, ours.sentence) == (group["status"], group["sentence"])
        assert ours.n_selected == 0
        assert ours.drawn is not None
        assert ours.drawn.median_age == group["median_age_years"]
        assert ours.drawn.last_age == group["last_determined_age_years"]
        build = rows.filter(pl.col("material") == group["material"])
        for column in ("age_years", "undetermined_from", "undetermined_to", "is_determined"):
            np.testing.assert_allclose(ours.drawn.curve[column], build[column], atol=1e-12, err_msg=column)


def test_without_what_works_tell_the_build_draws_the_curve_of_camera_looks_alone() -> None:
    exposure, _ = invented()
    last = pl.int_range(pl.len()).over("life_id") == 0
    ended = exposure.looks.sort("look_year", descending=True).filter(last & (pl.col("life_id") % 5 == 0))
    others = [pl.lit(None, pl.Int16).alias(c) for c in WHOLE_COLUMNS.values() if c != "any_whole"]
    ended = ended.with_columns(
        *others, any_whole=pl.lit(1, pl.Int16), basis=pl.lit("ended"), is_selected=pl.lit(False),
        look_year=pl.col("look_year") + 1, age=pl.col("age") + 1,
    )  # fmt: skip
    both = replace(exposure, looks=pl.concat([exposure.looks, ended]))
    off = Settings(corrections=tuple(c for c in Settings().corrections if c != Correction.ENDED_LIVES))

    def drawn(given: Exposure, settings: Settings) -> pl.DataFrame:
        looks = outcome_looks(exposure, "any")
        return curves(exposure.lives, looks, intervals_of(given), "any", settings)[1]

    assert drawn(both, off).equals(drawn(exposure, Settings()), null_equal=True)
    assert not drawn(both, Settings()).equals(drawn(exposure, Settings()), null_equal=True)


def test_where_each_pipe_was_looked_at_once_the_band_is_that_of_the_build_too(tmp_path: Path) -> None:
    exposure, lots = invented(most_looks=1)
    _, rows = curves(
        exposure.lives, outcome_looks(exposure, "any"), intervals_of(exposure), "any", Settings()
    )
    with open_current(published(tmp_path, exposure, lots)) as reader:
        found = chosen_curves(reader, "any", MATERIALS, "NOT is_selected", [])
    for material in MATERIALS:
        drawn = found[material].drawn
        assert drawn is not None
        build = rows.filter(pl.col("material") == material)
        for end in ("failure_probability_lower", "failure_probability_upper"):
            np.testing.assert_allclose(drawn.curve[end], build[end], atol=1e-12)


CHOICES = {
    "purpose": ("purpose = ?", ["routine"], pl.col("purpose") == "routine"),
    "backup": ("purpose = ?", ["backup"], pl.col("purpose") == "backup"),
    "years": ("look_year BETWEEN ? AND ?", [2005, 2014], pl.col("look_year").floor().is_between(2005, 2014)),
    "era": ("era = ? AND NOT is_selected", ["1940_1957"], (pl.col("era") == "1940_1957") & ~pl.col("is_selected")),
    "area": ("subdivision = ?", ["West"], pl.col("subdivision") == "West"),
}  # fmt: skip


@pytest.mark.parametrize("choice", CHOICES)
def test_chosen_looks_give_the_maximum_likelihood_curve_of_these_looks_alone(
    town: tuple[Exposure, pl.DataFrame], reader: PublishedReader, choice: str
) -> None:
    sql, values, chosen = CHOICES[choice]
    for material, found in chosen_curves(reader, "any", MATERIALS, sql, values).items():
        left, right = by_hand(town[0], "any", material, chosen)
        assert found.n_lives == len(left)
        assert found.n_bad == np.isfinite(right).sum()
        assert found.drawn is not None
        curve = found.drawn.curve
        lower, upper = NPMLE().fit(left, right).cdf(curve["age_years"].to_numpy())
        np.testing.assert_allclose(curve["undetermined_from"], lower, atol=1e-7)
        np.testing.assert_allclose(curve["undetermined_to"], upper, atol=1e-7)


def test_the_band_is_that_of_the_first_chosen_look_at_each_pipe(
    town: tuple[Exposure, pl.DataFrame], reader: PublishedReader
) -> None:
    exposure, _ = town
    found = chosen_curves(reader, "any", ["pvc"], "purpose = ?", ["routine"])["pvc"].drawn
    assert found is not None
    known = exposure.lives.filter(
        (pl.col("install_to") - pl.col("install_from") <= 5) & (pl.col("material") == "pvc")
    )
    # Of two looks of one day that disagree, the bad one counts: as in the intervals.
    looks = exposure.looks.filter((pl.col("purpose") == "routine") & pl.col("any_whole").is_not_null()).join(
        known.select("life_id"), on="life_id").sort("life_id", "look_year", "any_whole", descending=[False, False, True])  # fmt: skip
    first = looks.unique("life_id", keep="first", maintain_order=True)
    band = first_look_band(
        first["life_id"], first["age"].round(0), first["any_whole"] == 1, found.curve["age_years"]
    )
    value = found.curve["undetermined_from"]
    lower = np.minimum(band.lower, value)
    np.testing.assert_allclose(found.curve["failure_probability_lower"], lower, atol=1e-9)
    determined = found.curve["is_determined"].to_numpy()
    upper = np.maximum(band.upper, np.where(determined, value, 0.0))
    np.testing.assert_allclose(found.curve["failure_probability_upper"], upper, atol=1e-9)


def test_looks_made_because_something_was_wrong_are_counted_as_such(
    town: tuple[Exposure, pl.DataFrame], reader: PublishedReader
) -> None:
    condition = "purpose IN ('backup', 'routine')"
    found = chosen_curves(reader, "any", ["pvc"], condition, [])["pvc"]
    wanted = (
        town[0]
        .looks.join(
            town[0].lives.filter(
                (pl.col("material") == "pvc") & (pl.col("install_to") - pl.col("install_from") <= 5)
            ),
            on="life_id",
            how="semi",
        )
        .filter(pl.col("any_whole").is_not_null() & pl.col("is_selected"))
    )
    assert found.n_selected == wanted.height > 0
    assert found.n_looks > found.n_selected


def test_too_few_chosen_looks_give_no_curve_and_the_reason(reader: PublishedReader) -> None:
    found = chosen_curves(reader, "any", ["pvc", "lead"], "look_year = ? AND subdivision = ?", [2003, "West"])
    assert 0 < found["pvc"].n_lives < 30
    assert found["pvc"].drawn is None
    assert found["pvc"].status == "too_few_records"
    assert "a curve needs 30 lives and 5 failures" in found["pvc"].sentence
    assert (found["lead"].n_looks, found["lead"].drawn) == (0, None)


def test_an_account_draws_curves_of_what_it_may_see_only(
    town: tuple[Exposure, pl.DataFrame], folder: Path
) -> None:
    exposure, lots = town
    ours = lots.filter(portfolio="Ours")["lot_id"]
    left, _ = by_hand(exposure, "any", "pvc", pl.col("lot_id").is_in(ours.to_list()))
    with open_current(folder, Scope(("Ours",))) as own:
        assert chosen_curves(own, "any", ["pvc"], "true", [])["pvc"].n_lives == len(left)
        assert set(own.table("look_groups")["portfolio"]) == {"Ours"}
    with open_current(folder, Scope()) as areas:
        assert chosen_curves(areas, "any", ["pvc"], "true", [])["pvc"].n_looks == 0


def test_each_look_is_in_one_group_and_one_history(town: tuple[Exposure, pl.DataFrame]) -> None:
    exposure, lots = town
    groups = write.conform(TABLES["look_groups"], look_groups(exposure, lots))
    histories = write.conform(TABLES["look_histories"], look_histories(exposure, lots))
    for table, frame in (("look_groups", groups), ("look_histories", histories)):
        assert not frame.select(TABLES[table].key).is_duplicated().any()
    narrow = exposure.lives.filter(pl.col("install_to") - pl.col("install_from") <= 5)
    for outcome, column in WHOLE_COLUMNS.items():
        judged = exposure.looks.filter(pl.col(column).is_not_null())
        assert groups[f"n_looks_{outcome}"].sum() == judged.height
        assert groups[f"n_bad_{outcome}"].sum() == (judged[column] == 1).sum()
        kept = judged.join(narrow, on="life_id", how="semi")
        told = histories.filter(pl.col(f"is_bad_{outcome}").is_not_null())
        assert told["n_looks"].sum() == kept.height
        assert told.filter(f"is_bad_{outcome}")["n_looks"].sum() == (kept[column] == 1).sum()


def test_pipes_looked_at_once_are_counted_together(tmp_path: Path) -> None:
    exposure, lots = invented(most_looks=1)
    histories = look_histories(exposure, lots.with_columns(portfolio=pl.lit(None, pl.String)))
    assert histories["history"].null_count() == histories.height
    assert histories["n_looks"].max() > 1


def test_the_band_of_counts_is_that_of_the_looks_one_by_one() -> None:
    """`likelihood_ratio_band` adds equal ages up, so counts lose nothing."""
    rng = np.random.default_rng(5)
    age, bad = rng.integers(10, 60, 300).astype(float), rng.random(300) < 0.4
    counts = pl.DataFrame({"age": age, "bad": bad}).group_by("age").agg(n=pl.len(), bad=pl.col("bad").sum())
    at = np.arange(0, 61)
    one = likelihood_ratio_band(age, np.ones(300), bad.astype(float), at)
    together = likelihood_ratio_band(counts["age"], counts["n"], counts["bad"], at)
    np.testing.assert_allclose(one.lower, together.lower, atol=1e-12)
    np.testing.assert_allclose(one.upper, together.upper, atol=1e-12)
