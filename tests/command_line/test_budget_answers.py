"""Budgets from a built town: consistent with its scores, printed, written to Excel and PDF; faults as one sentence."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import fastexcel
import numpy as np
import polars as pl
import pytest
from pypdf import PdfReader
from scipy import stats

from models.laws import LAWS
from pipeline.assumed import FILE, UnitCost
from pipeline.assumptions import parse_assumptions, shipped_text
from pipeline.commands import budget as budget_command
from pipeline.errors import FitError
from pipeline.published.read import open_current
from pipeline.reports.budget_excel import write_excel
from pipeline.reports.budget_pdf import write_pdf
from pipeline.reports.budget_words import Heading, dollars
from pipeline.settings import Workspace
from pipeline.steps import build_fits
from pipeline.steps.budget import make_budget
from pipeline.steps.budget_costs import loaded_costs
from pipeline.steps.budget_policies import PolicyCode
from pipeline.steps.budget_portfolio import make_portfolio
from pipeline.steps.budget_publish import run_of
from pipeline.steps.budget_select import choose_group
from pipeline.steps.budget_town import read_town, tables_for
from pipeline.steps.build import build
from pipeline.steps.fit_sizes import with_sizes
from pipeline.steps.validate_fit import Validation, validate
from pipeline.steps.validate_sizes import SizesInFits

NEEDED = (
    "lots",
    "lot_segments",
    "lot_inspections",
    "pipe_entries",
    "pipe_states",
    "life_law_parts",
    "run",
    "outcomes",
)
#: Laws of life in the form that budgets take them, as scipy has them: shape and scale.
OF_SCIPY = {
    "weibull": lambda shape, scale: stats.weibull_min(shape, scale=scale),
    "log-logistic": lambda shape, scale: stats.fisk(shape, scale=scale),
    "gompertz": lambda shape, scale: stats.gompertz(shape, scale=scale),
}
LAW_WITH_SIZES = "log-logistic"
QUICK = ("--draws", 200, "--horizon", 10, "--purpose", "a test of budgets")


@pytest.fixture(scope="session")
def tag(town: Workspace) -> str:
    with open_current(town) as reader:
        return str(
            reader.query("SELECT portfolio FROM lots WHERE portfolio IS NOT NULL ORDER BY 1 LIMIT 1")[
                "portfolio"
            ][0]
        )


@pytest.fixture
def budget(underlot, town: Workspace, tag: str) -> dict:
    answer = underlot("budget", "--portfolio", tag, "--format", "json", *QUICK, workspace=town.root)
    assert answer.code == 0, answer.err
    return json.loads(answer.out)


@pytest.fixture(scope="module", params=LAWS)
def town_of_law(request, town: Workspace, tmp_path_factory: pytest.TempPathFactory) -> tuple[str, Workspace]:
    """The town, built as if held-out looks had chosen each law of life, and for one of them length and bore."""
    copy = Workspace(tmp_path_factory.mktemp("law") / "town")
    shutil.copytree(town.root, copy.root)

    def chosen(*asked: Any) -> Validation:
        return replace(validate(*asked), law=request.param)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(build_fits, "validate", chosen)
        if request.param == LAW_WITH_SIZES:
            patch.setattr(
                build_fits, "judge_sizes", lambda exposure, *_: SizesInFits(with_sizes(exposure), True, "")
            )
        build(copy)
    return request.param, copy


def test_what_is_published_for_budgets_agrees_with_the_scores(town_of_law: tuple[str, Workspace]) -> None:
    law, town = town_of_law
    with open_current(town) as reader:
        known = read_town(reader.table)
        lots = reader.table("lots").filter(pl.col("status") == "ok", pl.col("n_segments") == 1)
        run = reader.run()
        assert set(reader.table("outcomes")["family"]) == {law}
        terms = set(reader.table("regression_terms").filter(pl.col("outcome") == "any")["term"])
        assert ({"hazard: length", "hazard: diameter"} <= terms) == (law == LAW_WITH_SIZES)
    own = known.pipes.join(lots, on="lot_id").select(
        "lot_id", "state", "failure_probability_right", "failure_by_horizon_probability"
    )
    # Chance at the horizon's end from the published laws: failed now, or sound now and failing within the years to come.
    assumptions = parse_assumptions(shipped_text())
    portfolio = make_portfolio(
        known, own["lot_id"].to_list(), assumptions, new_materials=["pvc"], least_similar=10
    )
    s, laws = portfolio.stock, portfolio.laws
    assert laws.family == law
    # Those that looks tell of, and those of which the law says it.
    assert 0 < own["state"].null_count() < own.height
    now = s.failed_now[s.pipe_state].mean(axis=1)
    np.testing.assert_allclose(now, own["failure_probability_right"], atol=1e-4)
    later = []
    for pipe in range(s.n_pipes):
        a, b = s.entry_start[pipe], s.entry_start[pipe + 1]
        age = np.maximum(s.entry_age[a:b], 0)[:, None]
        of_entry, weight = s.entry_law[a:b], s.entry_weight[a:b][:, None]

        def sound(years, row=of_entry):
            return OF_SCIPY[law](laws.shape[row], np.exp(laws.log_scale[row])).sf(years)

        survive = (weight * sound(age + run["horizon_years"])).sum(axis=0) / np.maximum(
            (weight * sound(age)).sum(axis=0), 1e-300
        )
        failed = s.failed_now[s.pipe_state[pipe]]
        later.append(float((failed + (1 - failed) * (1 - survive)).mean()))
    np.testing.assert_allclose(later, own["failure_by_horizon_probability"], atol=2e-3)


def test_policies_stand_beside_each_other(budget: dict) -> None:
    assert [row["policy"] for row in budget["policies"]] == list(PolicyCode.codes())
    waiting = budget["policies"][0]
    assert waiting["expected_planned"] == 0
    assert waiting["present_value"] == pytest.approx(waiting["emergency_present_value"])
    # Shipped: one spot is enough in 2 to 6 of 10.
    assert 0.3 < waiting["expected_spot_repairs"] / waiting["expected_emergencies"] < 0.5
    for row in budget["policies"]:
        assert row["present_value_p10"] <= row["present_value_p50"] <= row["present_value_p90"]
        assert row["present_value"] > 0
    assert len(budget["years"]) == 10 * len(budget["policies"])
    for row in budget["years"]:
        parts = row["planned_usd"] + row["emergency_usd"] + row["camera_usd"]
        assert row["mean_usd"] == pytest.approx(parts)
        assert row["p10_usd"] <= row["p50_usd"] <= row["p90_usd"]


def test_buildings_add_up_to_the_whole(town: Workspace, tag: str) -> None:
    with open_current(town) as reader:
        found = make_budget(
            read_town(reader.table),
            choose_group(reader, "portfolio", tag).lot_ids,
            parse_assumptions(shipped_text()).changed(draws=200, horizon=10),
            run_of(reader.table("run"), reader.table("outcomes")),
            loaded_costs(reader.table("unit_costs")),
        )
    assert found.lots["share_of_total"].sum() == pytest.approx(1)
    for row in found.policies.iter_rows(named=True):
        assert found.lots[f"pv_{row['policy']}"].sum() == pytest.approx(row["present_value"])
    first = found.lots.filter(pl.col("camera_rank").is_not_null())
    assert sorted(first["camera_rank"]) == list(range(1, first.height + 1))
    assert (first["camera_value"] > 0).all()


def test_reading_only_what_is_needed_changes_nothing(town: Workspace, tag: str) -> None:
    with open_current(town) as reader:
        lots = choose_group(reader, "portfolio", tag).lot_ids
        run = run_of(reader.table("run"), reader.table("outcomes"))
        assumptions = parse_assumptions(shipped_text()).changed(draws=100, horizon=5)
        whole = read_town(reader.table)
        part = read_town(tables_for(reader, lots))
    assert part.pipes.height < whole.pipes.height
    assert len(part.failed_now) < len(whole.failed_now)
    one, other = (make_budget(town_, lots, assumptions, run, ()).policies for town_ in (whole, part))
    assert one.equals(other)


def test_lots_without_a_line_on_record_borrow_those_of_similar_houses(town: Workspace) -> None:
    with open_current(town) as reader:
        tables = {name: reader.table(name) for name in NEEDED}
        run, costs = run_of(tables["run"], tables["outcomes"]), loaded_costs(reader.table("unit_costs"))
    lots = tables["lots"].filter(pl.col("year_built").is_not_null())["lot_id"]
    bare, nameless = lots[:40], lots[40:43]
    gone = pl.concat([bare, nameless])
    for name in ("pipe_entries", "lot_segments"):
        tables[name] = tables[name].filter(~pl.col("lot_id").is_in(gone.implode()))
    is_nameless = pl.col("lot_id").is_in(nameless.implode())
    tables["lots"] = tables["lots"].with_columns(year_built=pl.when(~is_nameless).then("year_built"))
    assumptions = parse_assumptions(shipped_text()).changed(draws=200, horizon=10)
    found = make_budget(read_town(lambda name: tables[name]), gone.to_list(), assumptions, run, costs)
    assert found.facts["n_borrowed"] == found.facts["n_lots"] == 40
    assert sorted(found.left_out["lot_id"]) == sorted(nameless)
    assert found.lots["is_borrowed"].all()
    assert (found.lots["wait_present_value"] > 0).all()
    # With nothing known of any of them there is no budget.
    with pytest.raises(FitError, match="of none of these lots is the line"):
        make_budget(read_town(lambda name: tables[name]), nameless.to_list(), assumptions, run, costs)


def test_records_of_ages_have_no_calendar(town: Workspace, tag: str) -> None:
    with open_current(town) as reader:
        run = replace(run_of(reader.table("run"), reader.table("outcomes")), as_of_year=None)
        found = make_budget(
            read_town(reader.table),
            choose_group(reader, "portfolio", tag).lot_ids,
            parse_assumptions(shipped_text()).changed(draws=100, horizon=5),
            run,
            (),
        )
    assert found.years["calendar_year"].null_count() == found.years.height
    heading = Heading(town="T", is_synthetic=False, chosen="c", run_id="r", as_of="each line's newest look")
    write_excel(town.root / "ages.xlsx", found, heading)
    write_pdf(town.root / "ages.pdf", found, heading)
    assert (town.root / "ages.pdf").read_bytes().startswith(b"%PDF")


def test_a_town_without_a_fit_says_so(town: Workspace) -> None:
    with open_current(town) as reader, pytest.raises(FitError, match="carry no fitted curve yet"):
        read_town(lambda name: reader.table(name).clear())


def test_files_name_only_lots_whose_clients_allow_it(
    underlot, town: Workspace, tag: str, budget: dict
) -> None:
    with open_current(town) as reader:
        lots = reader.table("lots").filter(pl.col("portfolio") == tag)
    may = lots.filter((pl.col("n_inspections") == 0) | pl.col("tells_own_results"))["lot_id"].to_list()
    assert 0 < len(may) < lots.height
    assert {row["lot_id"] for row in budget["lots"]} == set(may)
    assert budget["n_withheld"] == lots.height - len(may)
    # Sums count all of them.
    assert budget["n_lots"] == lots.height
    quiet = town.root / "do_not_contact.csv"
    quiet.write_text(f"lot_id\n{may[0]}\n", encoding="utf-8")
    try:
        answer = underlot("budget", "--portfolio", tag, "--format", "json", *QUICK, workspace=town.root)
    finally:
        quiet.unlink()
    assert may[0] not in answer.out
    assert json.loads(answer.out)["purpose"] == "a test of budgets"


def test_files_need_a_purpose_and_are_logged(underlot, town: Workspace, tag: str) -> None:
    answer = underlot("budget", "--portfolio", tag, "--format", "json", workspace=town.root)
    assert answer.code == 2
    assert answer.err.startswith("These answers name single lots. Say in a few words what they are for")
    log = next(
        path for path in town.root.rglob("*") if path.is_file() and "a test of budgets" in _text_of(path)
    )
    assert "budget" in _text_of(log)


def _text_of(path: Path) -> str:
    return (
        path.read_text(encoding="utf-8", errors="replace")
        if path.suffix in {".csv", ".log", ".jsonl", ".tsv"}
        else ""
    )


def test_the_reserve_lasts_in_the_wanted_share_of_futures(budget: dict) -> None:
    last = budget["reserve"][-1]
    assert last["dry_probability"] == pytest.approx(1 - budget["reserve_confidence"], abs=0.011)


def test_the_same_question_has_the_same_answer(underlot, town: Workspace, tag: str, budget: dict) -> None:
    again = json.loads(
        underlot("budget", "--portfolio", tag.lower(), "--format", "json", *QUICK, workspace=town.root).out
    )
    assert again["policies"] == budget["policies"]


def test_all_assumptions_are_printed_with_the_result(underlot, town: Workspace, tag: str) -> None:
    answer = underlot("budget", "--portfolio", tag, *QUICK, workspace=town.root)
    assert answer.code == 0
    words = " ".join(answer.out.split())
    for part in (
        "An invented town: nothing in it is real.",
        "discounted at 5.0%",
        "prices of 2025",
        "Assumptions",
        "surcharge factor",
        "located and marked",
    ):
        assert part in words
    assert (town.root / FILE).read_text(encoding="utf-8") == shipped_text()


def test_excel_and_pdf_hold_the_same_schedule(
    underlot, town: Workspace, tag: str, budget: dict, tmp_path: Path
) -> None:
    book, paper, page = (tmp_path / f"reserve.{ending}" for ending in ("xlsx", "pdf", "html"))
    answer = underlot(
        "budget",
        "--portfolio",
        tag,
        "--excel",
        book,
        "--pdf",
        paper,
        "--html",
        page,
        *QUICK,
        workspace=town.root,
    )
    assert answer.code == 0, answer.err
    sheets = fastexcel.read_excel(book)
    assert {"Summary", "Reserve schedule", "Years", "Lots", "Assumptions"} <= set(sheets.sheet_names)
    reserve = sheets.load_sheet("Reserve schedule", header_row=3).to_polars()
    np.testing.assert_allclose(
        reserve["contribution [US dollars]"], [row["contribution_usd"] for row in budget["reserve"]]
    )
    np.testing.assert_allclose(
        reserve["balance P10 [US dollars]"], [row["balance_p10_usd"] for row in budget["reserve"]], rtol=1e-9
    )
    assumptions = sheets.load_sheet("Assumptions").to_polars()
    assert assumptions.height == len(budget["assumptions"])
    reader = PdfReader(paper)
    text = " ".join(" ".join(page.extract_text() for page in reader.pages).split())
    for part in (
        f"Replacement budget: portfolio {tag}",
        "Reserve schedule",
        "What each building contributes",
        "Assumptions",
        "An invented town",
        "located and marked",
    ):
        assert part in text
    told = " ".join(page.read_text(encoding="utf-8").split())
    assert "<svg" in told
    assert all(
        label in told
        for label in (
            "Replacement budget",
            "Reserve schedule",
            "What it assumes",
            "How the numbers were made",
        )
    )
    for row in (*budget["reserve"], *budget["lots"]):
        shown = row.get("address") or dollars(row["contribution_usd"])
        assert shown in text
        assert shown in told
    # Two charts.
    assert sum(len(page.images) for page in reader.pages) == 2
    assert {path.name for path in tmp_path.iterdir()} == {
        "reserve.xlsx",
        "reserve.pdf",
        "reserve.html",
    }


def test_what_the_programme_saves_has_a_range(budget: dict) -> None:
    by_policy = {row["policy"]: row["present_value"] for row in budget["policies"]}
    saved = by_policy["wait_for_failure"] - by_policy["within_a_cap"]
    assert budget["cap_saved_p10_usd"] < saved < budget["cap_saved_p90_usd"]


def test_a_cap_of_nothing_allows_nothing(underlot, town: Workspace, tag: str) -> None:
    answer = underlot("budget", "--portfolio", tag, "--cap", "0", "--draws", "50", workspace=town.root)
    assert answer.code == 0
    told = " ".join(answer.out.split())
    assert "A cap of $0 allows no planned renewal: within it every pipe waits for trouble." in told


def test_a_users_text_is_no_formula(tmp_path: Path) -> None:
    import xlsxwriter

    from pipeline.reports.budget_excel import PLAIN, _sheet

    with xlsxwriter.Workbook(tmp_path / "x.xlsx", PLAIN) as book:
        _sheet(book, "Lots", pl.DataFrame({"address": ["=1+1", "https://a.invalid"]}))
    read = fastexcel.read_excel(tmp_path / "x.xlsx").load_sheet("Lots").to_polars()
    assert read["address"].to_list() == ["=1+1", "https://a.invalid"]


def test_a_given_balance_and_cap_are_used(underlot, town: Workspace, tag: str) -> None:
    answer = underlot(
        "budget", "--portfolio", tag, "--format", "json", "--reserve", 1e9, "--cap", 5000, "--policy", "wait_for_failure", *QUICK,
        workspace=town.root,
    )  # fmt: skip
    found = json.loads(answer.out)
    assert found["cap_usd"] == pytest.approx(5_000)
    assert found["first_contribution_usd"] == 0
    assert found["chance_above_reserve"]["wait_for_failure"] == 0
    assert found["reserve_policy"] == "wait_for_failure"


def test_listed_lots_that_are_unknown_are_told(underlot, town: Workspace, tmp_path: Path) -> None:
    with open_current(town) as reader:
        known = reader.table("lots")["lot_id"].head(3).to_list()
    file = tmp_path / "ours.csv"
    file.write_text("lot_id\n" + "\n".join([*known, "no-such-lot"]) + "\n", encoding="utf-8")
    answer = underlot("budget", "--file", file, "--format", "json", *QUICK, workspace=town.root)
    assert answer.code == 3
    assert "Not found: no-such-lot." in answer.err
    assert json.loads(answer.out)["n_lots"] == 3


FAULTS = [
    (
        (),
        "Choose lots one way: addresses or lot ids, --file, --portfolio, or --subdivision. Example: underlot budget --portfolio P1",
    ),
    (("--portfolio", "Nowhere"), "No lot is in portfolio 'Nowhere'. Near ones: "),
    (
        ("no-such-lot",),
        "None of the 1 lots asked for is on record. Check the ids or addresses, or load the lots first.",
    ),
    (
        ("--subdivision", "x", "--horizon", "0"),
        "the options: a horizon of 0 years cannot be budgeted. Give one from 1 to 60 years.",
    ),
    (
        ("--subdivision", "x", "--cap", "-1"),
        "--cap -1: this is no sum of money from 0 to 1,000,000,000,000 US dollars. Correct it.",
    ),
    (
        ("--subdivision", "x", "--reserve", "-1"),
        "--reserve -1: this is no sum of money from 0 to 1,000,000,000,000 US dollars. Correct it.",
    ),
    (("--subdivision", "x", "--pdf", "plan.docx"), "--pdf plan.docx: the name must end in .pdf. Rename it."),
    (
        ("--subdivision", "x", "--excel", "/no/such/place/a.xlsx"),
        "--excel /no/such/place/a.xlsx: there is no such folder. Make it first, or name another.",
    ),
]


@pytest.mark.parametrize(("options", "sentence"), FAULTS)
def test_each_fault_is_one_sentence(underlot, town: Workspace, options, sentence) -> None:
    answer = underlot("budget", *options, workspace=town.root)
    assert answer.code == 2
    assert answer.out == ""
    (line,) = answer.err.strip().splitlines()
    assert line.startswith(sentence)


def test_an_empty_list_is_told(underlot, town: Workspace, tmp_path: Path) -> None:
    file = tmp_path / "none.csv"
    file.write_text("lot_id\n\n", encoding="utf-8")
    answer = underlot("budget", "--file", file, workspace=town.root)
    assert answer.code == 3
    (line,) = answer.err.strip().splitlines()
    assert line.startswith("none.csv: ")


def test_a_fault_in_the_workspace_file_is_told(underlot, town: Workspace, tag: str) -> None:
    own = town.root / FILE
    kept = own.read_text(encoding="utf-8") if own.exists() else None
    own.write_text(
        shipped_text().replace('method = "lining"\n# Failed', 'method = "magic"\n# Failed', 1),
        encoding="utf-8",
    )
    try:
        answer = underlot("budget", "--portfolio", tag, *QUICK, workspace=town.root)
    finally:
        own.unlink() if kept is None else own.write_text(kept, encoding="utf-8")
    assert answer.code == 2
    (line,) = answer.err.strip().splitlines()
    assert line.startswith(
        "assumptions.toml, [reline_ahead], method: unknown method 'magic'. Use one of: open_cut, "
    )


def test_pages_have_budgets_made_ahead(town: Workspace) -> None:
    with open_current(town) as reader:
        policies, years = reader.table("budgets"), reader.table("budget_years")
        lots, assumptions = reader.table("budget_lots"), reader.table("budget_assumptions")
        groups = reader.query("SELECT DISTINCT subdivision FROM lots WHERE subdivision IS NOT NULL")
    made = policies.filter(pl.col("status") == "ok")
    assert set(groups["subdivision"]) <= set(
        policies.filter(pl.col("group_kind") == "subdivision")["group_name"]
    )
    assert made.group_by("group_kind", "group_name").len()["len"].unique().to_list() == [
        len(PolicyCode.codes())
    ]
    assert years.height == made["horizon_years"].sum()
    assert assumptions.height > 30
    assert lots["share_of_total"].is_between(0, 1).all()


def test_loaded_prices_of_no_method_are_told(
    underlot, town: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    def with_a_stranger(frame: pl.DataFrame) -> tuple[UnitCost, ...]:
        costs = loaded_costs(frame)
        return (*costs, replace(costs[0], method="dig"))

    with open_current(town) as reader:
        (name,) = reader.query("SELECT min(portfolio) FROM lots").row(0)
    ask = ("budget", "--portfolio", name, "--draws", 50, "--horizon", 3)
    told = "Loaded prices of 'dig' are not used: no method has that name. Methods are: open_cut, "
    assert told not in underlot(*ask, workspace=town.root).err
    monkeypatch.setattr(budget_command, "loaded_costs", with_a_stranger)
    answer = underlot(*ask, workspace=town.root)
    assert answer.code == 0
    assert told in answer.err
