"""Budgets tell what buildings cost: an account sees those of its own portfolios only."""

import polars as pl
import pytest

from pipeline.published.read import open_current
from pipeline.published.scope import Scope
from tests.browser import made_up

TABLES = ("budgets", "budget_years", "budget_lots")


@pytest.fixture(scope="module")
def workspace(tmp_path_factory):
    folder = tmp_path_factory.mktemp("scope_budgets")
    tables = made_up.frames()
    groups = pl.DataFrame(
        {
            "group_kind": ["portfolio", "portfolio", "subdivision"],
            "group_name": ["O'Mock", "Theirs", "O'Mock"],
            "policy": ["wait_for_failure"] * 3,
            "year": [1, 1, 1],
            "lot_id": tables["lots"]["lot_id"].head(3),
        }
    )
    made = {
        "budgets": groups.drop("year", "lot_id"),
        "budget_years": groups.drop("lot_id"),
        "budget_lots": groups.drop("policy", "year"),
    }
    made_up.publish(folder, tables | made)
    return folder


@pytest.mark.parametrize("table", TABLES)
def test_a_portfolio_sees_its_own_budget_only(workspace, table):
    with open_current(workspace, Scope(("O'Mock",))) as own:
        seen = own.table(table).select("group_kind", "group_name").unique()
    assert seen.rows() == [("portfolio", "O'Mock")]


@pytest.mark.parametrize("table", TABLES)
def test_an_account_for_areas_sees_no_budget(workspace, table):
    with open_current(workspace) as whole, open_current(workspace, Scope()) as areas:
        assert whole.table(table).height == 3
        assert areas.table(table).is_empty()
