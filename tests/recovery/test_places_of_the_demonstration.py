"""The hot spots planted in the town that `underlot demo` shows, searched for as a build does."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from pipeline.commands.demo import DEFAULT_LOTS, DEFAULT_SEED
from pipeline.published import contract
from pipeline.published.write import conform
from pipeline.steps.build_places import place_lots
from pipeline.steps.degrees import lot_degrees
from pipeline.steps.expose import expose
from pipeline.steps.fit_input import read_exposure
from pipeline.steps.fit_regression import fit_outcome
from pipeline.steps.places import make_places
from pipeline.steps.places_looks import every_look
from pipeline.warehouse import open_warehouse, sql_text
from tests.towns import load_town

pytestmark = pytest.mark.slow
RECENT_YEARS = 6.0


@pytest.fixture(scope="module")
def places(tmp_path_factory):
    """Tables about places, who lies in which planted area, and what is needed to ask for more."""
    folder = tmp_path_factory.mktemp("town")
    workspace, settings = load_town(folder, DEFAULT_SEED, n_lots=DEFAULT_LOTS)
    settings = replace(settings, hot_spot_recent_years=RECENT_YEARS)
    planted = (
        pl.read_parquet(folder / "town" / "truth" / "lives.parquet")
        .select("lot_id", "planted_area")
        .unique("lot_id")
    )
    with open_warehouse(workspace) as warehouse:
        expose(warehouse, settings)
        exposure = read_exposure(warehouse, settings)
        recorded = warehouse.frame(sql_text("published/lots"))
        lots = place_lots(recorded).join(lot_degrees(recorded), on="lot_id", how="left")
        fit = fit_outcome(exposure, "any", settings, np.random.default_rng(1))
        tables = make_places(warehouse, fit, exposure, lots, settings)
        purposes = warehouse.frame(sql_text("places/look_purposes"))
    return tables, planted, (fit, exposure, lots, purposes)


def share_planted(tables, planted, period="all"):
    """Zones with their label and the share of their inspected lots that lie in each planted hot spot."""
    inside = tables["hot_spot_lots"].filter(pl.col("is_inspected") & (pl.col("period") == period))
    shares = (
        inside.join(planted, on="lot_id")
        .group_by("zone")
        .agg(
            *((pl.col("planted_area") == area).mean().alias(f"spot_{area}") for area in range(3)),
            n=pl.len(),
        )
        .sort("zone")
    )
    zones = tables["hot_spots"].filter(pl.col("period") == period)
    return zones.select("zone", "label", "ratio", "p_value", "p_value_blocks").join(shares, on="zone")


def test_planted_hot_spots_are_found_and_nothing_else_is_firm(places):
    tables, planted, _ = places
    zones = share_planted(tables, planted).with_columns(best=pl.max_horizontal("spot_0", "spot_1", "spot_2"))
    print(zones)  # noqa: T201 - the table is the finding
    firm = zones.filter(pl.col("label") == "firm")
    assert firm.height >= 2
    assert (firm["best"] > 0.5).all()
    assert (firm["ratio"] > 1.15).all()


def test_every_search_is_published(places):
    tables, _, _ = places
    for name in ("HOT_SPOT_SCANS", "HOT_SPOTS", "HOT_SPOT_LOTS"):
        conform(getattr(contract, name), tables[name.lower()])
    scans = {row["period"]: row for row in tables["hot_spot_scans"].iter_rows(named=True)}
    assert set(scans) == {"all", "recent", "every_reason"}
    assert scans["recent"]["recent_years"] == RECENT_YEARS
    assert 0 < scans["recent"]["n_lots"] < scans["all"]["n_lots"] < scans["every_reason"]["n_lots"]
    assert "of the last 6 years" in scans["recent"]["sentence"]
    assert "looks made because of a failure among them" in scans["every_reason"]["sentence"]


def test_looks_made_because_of_a_failure_are_expected_to_find_more(places):
    _, _, (fit, exposure, lots, purposes) = places
    selected = purposes.filter(pl.col("purpose") == "backup")
    found = every_look(fit, exposure, lots, selected)
    assert found is not None
    backups = found.lots.join(selected, on="inspection_id")
    others = found.lots.join(selected, on="inspection_id", how="anti")
    # One shift: as many are expected as were seen, and far more than of the others.
    assert backups["expected"].sum() == pytest.approx(backups["is_bad"].sum(), rel=0.01)
    assert backups["expected"].mean() > others["expected"].mean() + 0.1
    # Chances stop a ten thousandth short of 0 and 1.
    assert (found.lots["lowest"] <= found.lots["expected"] + 1e-4).all()
    assert (found.lots["expected"] <= found.lots["highest"] + 1e-4).all()
    assert every_look(fit, exposure, lots, selected.clear()) is None
