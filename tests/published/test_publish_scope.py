"""A restricted reader: rows that an account may not see are not there for any question."""

import polars as pl
import pytest

from pipeline.errors import PublishedError
from pipeline.published import contract
from pipeline.published.read import open_current
from pipeline.published.scope import Scope
from tests.browser import made_up


@pytest.fixture(scope="module")
def workspace(tmp_path_factory):
    folder = tmp_path_factory.mktemp("scope")
    tables = made_up.frames()
    # Two lots in ten belong to a portfolio with a quotation mark in its name.
    tag = pl.when(pl.int_range(pl.len()) % 10 < 2).then(pl.lit("O'Mock"))
    made_up.publish(folder, tables | {"lots": tables["lots"].with_columns(portfolio=tag)})
    return folder


def lots_of(reader, table):
    return set(reader.query(f'SELECT DISTINCT lot_id FROM "{table}" WHERE lot_id IS NOT NULL').to_series())


def test_a_portfolio_sees_its_own_lots_in_every_table_and_no_others(workspace):
    with open_current(workspace) as whole, open_current(workspace, Scope(("O'Mock",))) as own:
        mine = set(whole.query("SELECT lot_id FROM lots WHERE portfolio = ?", ["O'Mock"]).to_series())
        assert lots_of(own, "lots") == mine
        with_lots = [t.name for t in contract.TABLES.values() if "lot_id" in t.names]
        assert len(with_lots) >= 6
        for table in with_lots:
            assert lots_of(own, table) == lots_of(whole, table) & mine, table


def test_a_portfolio_sees_the_blocks_it_lies_in(workspace):
    with open_current(workspace, Scope(("O'Mock",))) as own:
        here = set(own.query("SELECT DISTINCT block FROM lots").to_series())
        assert set(own.table("blocks")["block"]) == here


def test_a_portfolio_sees_the_sewers_that_its_own_lines_tie_into(workspace):
    with open_current(workspace) as whole, open_current(workspace, Scope(("Only one",))) as none:
        assert whole.table("mains").height > 1
        assert none.table("mains").is_empty()
        assert none.table("manholes").is_empty()
    with open_current(workspace) as whole, open_current(workspace, Scope(("O'Mock",))) as own:
        tied = set(own.query("SELECT DISTINCT main_id FROM tie_ins").to_series())
        assert set(own.table("mains")["main_id"]) == tied
        assert own.table("tie_ins").height == own.table("lots").height < whole.table("tie_ins").height


def test_an_account_for_areas_sees_no_lot_and_blocks_of_enough_records_only(workspace):
    with open_current(workspace) as whole, open_current(workspace, Scope()) as areas:
        for table in contract.TABLES.values():
            if "lot_id" in table.names:
                assert areas.table(table.name).is_empty(), table.name
        told = whole.table("blocks").filter(pl.col("status") == contract.STATUS_OK)
        assert 0 < told.height < whole.table("blocks").height
        assert areas.table("blocks").height == told.height
        assert areas.table("curves").height == whole.table("curves").height


def test_an_account_for_areas_sees_no_counts_that_tell_of_single_lots(workspace):
    with open_current(workspace) as whole, open_current(workspace, Scope()) as areas:
        assert whole.table("look_groups").height > 0
        assert areas.table("look_groups").is_empty()
        assert areas.table("subdivisions")["n_inspected"].min() >= 10


@pytest.mark.parametrize("portfolios", [("O'Mock",), ()])
def test_words_as_users_wrote_them_are_for_those_who_see_everything(workspace, portfolios):
    with open_current(workspace) as whole, open_current(workspace, Scope(portfolios)) as restricted:
        assert whole.table("rejects").height > 0
        assert restricted.table("rejects").is_empty()


@pytest.mark.parametrize(
    "sql",
    ["ATTACH 'other.duckdb'", "SELECT * FROM read_csv('/etc/hostname')", "SET enable_external_access = true"],
)
def test_a_restricted_reader_is_locked_down_as_any_other(workspace, sql):
    with (
        open_current(workspace, Scope()) as restricted,
        pytest.raises(PublishedError, match="gave no answer"),
    ):
        restricted.query(sql)
