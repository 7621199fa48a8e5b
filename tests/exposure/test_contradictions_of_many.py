"""What only many records show together, on planted faults and on real files that have them.

The real files and their faults are described beside them (shared/reference/real/README.md); they are read
where they lie, and the tests are skipped where they are absent.
"""

from __future__ import annotations

from datetime import date
from pathlib import Path

import polars as pl
import pytest

from pipeline.column_map import ColumnMap
from pipeline.settings import Settings, Workspace
from pipeline.steps.expose import expose
from pipeline.steps.load import load
from pipeline.warehouse import open_warehouse

EXAMPLES = Path(__file__).parents[2] / "pipeline/examples"


def looks_at(ages_and_verdicts, *, repeats=1):
    """Age-only inspections of lots of their own, looked at `repeats` times."""
    lots, runs = [], []
    for number, (age, verdict) in enumerate(ages_and_verdicts):
        lots.append({"lot_id": str(number)})
        for again in range(repeats):
            runs.append(
                {
                    "inspection_id": f"{number}-{again}",
                    "lot_id": str(number),
                    "age_years": float(age + again),
                    "overall_verdict": verdict if isinstance(verdict, str) else verdict[again],
                }
            )
    return {"lots": lots, "inspections": runs}


def kinds(seen):
    return sorted(set(seen.findings_on_records["kind"]))


GOOD, BAD = "serviceable", "repair"


def test_ages_that_end_in_0_or_5(records):
    heaped = [(10 + 5 * (number % 12), GOOD) for number in range(60)]
    seen = records(**looks_at(heaped))
    assert kinds(seen) == ["heaped_ages"]
    assert seen.findings_on_records["detail"][0].startswith("100% of 60 values of age_years end in 0 or 5")
    even = [(10 + number, GOOD) for number in range(60)]
    assert kinds(records(**looks_at(even))) == []


def test_repeat_looks_that_never_change(records):
    ages = [11 + number % 37 for number in range(200)]
    copied = [(age, BAD if number % 3 == 0 else GOOD) for number, age in enumerate(ages)]
    seen = records(**looks_at(copied, repeats=2))
    assert kinds(seen) == ["repeats_never_change"]
    assert seen.findings_on_records.select("n").item() == 200
    living = [(age, (GOOD, BAD) if number % 10 == 0 else GOOD) for number, age in enumerate(ages)]
    assert "repeats_never_change" not in kinds(records(**looks_at(living, repeats=2)))


def test_young_ages_without_any_failure(records):
    recoded = [(1 + number % 9, GOOD) for number in range(90)]
    recoded += [(10 + number % 4, BAD if number % 3 else GOOD) for number in range(80)]
    seen = records(**looks_at(recoded))
    assert kinds(seen) == ["recoded_young_ages"]
    assert seen.findings_on_records["detail"][0].startswith("unknown: none of 90 looks below age 10 is bad")
    wearing = [
        (age, BAD if (7 * number) % 40 < age - 1 else GOOD) for number in range(8) for age in range(1, 39)
    ]
    assert "recoded_young_ages" not in kinds(records(**looks_at(wearing)))


def test_failed_share_that_falls_at_the_oldest_ages(records):
    bent = [(61 + number % 7, BAD) for number in range(40)] + [(71 + number % 7, GOOD) for number in range(8)]
    bent += [(31 + number % 7, BAD if number % 4 == 0 else GOOD) for number in range(40)]
    seen = records(**looks_at(bent))
    assert kinds(seen) == ["curve_bends_down"]
    assert seen.findings_on_records["detail"][0].startswith(
        "unknown: 0 of 8 looks from age 70 on are bad, but 40 of 40 from age 60 on"
    )


def exposed(
    workspace: Workspace, files: dict[str, tuple[pl.DataFrame, str]]
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Load frames through CSV files and maps; return the findings on the records, and the loads."""
    workspace.create()
    for layout, (frame, toml) in files.items():
        path = workspace.root / f"{layout}.csv"
        frame.write_csv(path)
        load(workspace, path, ColumnMap.from_toml(f'layout = "{layout}"\n{toml}'), today=date(2026, 6, 30))
    with open_warehouse(workspace) as warehouse:
        expose(warehouse, Settings())
        return warehouse.frame("FROM records.findings_on_records"), warehouse.frame("FROM records.loads")


def columns(**headers: str) -> str:
    return "".join(f'[columns.{name}]\nfrom = "{header}"\n' for name, header in headers.items())


def test_real_sewer_inspections(real, tmp_path):
    """README: 99.4 % of repeat pairs carry the same class; no bad look below age 10; concrete bends past 70."""
    given = real("sewer_inspections.csv", separator=";")
    workspace = Workspace(tmp_path)
    path = tmp_path / "sewer_inspections.csv"
    given.write_csv(path, separator=";")
    report = load(workspace, path, ColumnMap.from_file(EXAMPLES / "sewer_network_metric.toml"))
    assert report.n_read == given.height
    with open_warehouse(workspace) as warehouse:
        expose(warehouse, Settings())
        found = warehouse.frame("FROM records.findings_on_records").rows(named=True)
        looks = warehouse.frame("FROM exposure.looks")
    details = {row["kind"]: row["detail"] for row in found}
    assert set(details) == {"repeats_never_change", "recoded_young_ages", "curve_bends_down"}
    n_repeats = given.height - given["pipe_id"].n_unique()
    assert f" of {n_repeats} repeat looks" in details["repeats_never_change"]
    assert "looks below age 10 is bad" in details["recoded_young_ages"]
    assert details["curve_bends_down"].startswith("concrete: ")
    assert "from age 70 on" in details["curve_bends_down"]
    # README: target is 1 when the class is 1 to 4
    assert looks["any_outcome"].sum() == given["target"].cast(pl.Int64).sum()


def test_real_breaks_before_the_pipe_was_laid(real, tmp_path):
    """README: 13.8 % of the matched breaks come before the install date.

    A main stands for a lot with one segment, a break for a repair of a failed pipe: it is an event with a
    date that leaves the pipe in the ground, which is what the check is about.
    """
    mains = real("kitchener_mains_clean.csv")
    breaks = real("kitchener_breaks_clean.csv").join(
        mains.select(ASSETID="WATMAINID"), on="ASSETID", how="semi"
    )
    mains = mains.with_columns(year=pl.col("INSTALLATION_DATE").str.slice(0, 4))
    files = {
        "lots": (mains.select("WATMAINID"), columns(lot_id="WATMAINID")),
        "segments": (
            mains.select("WATMAINID", "year"),
            columns(lot_id="WATMAINID", install_year="year") + '[columns.sequence]\nvalue = "1"\n',
        ),
        "works": (
            breaks.select("ASSETID", "break_date"),
            columns(lot_id="ASSETID", works_date="break_date")
            + '[columns.kind]\nvalue = "repair"\n[columns.reason]\nvalue = "failure"\n',
        ),
    }
    found, loads = exposed(Workspace(tmp_path), files)
    works = loads.filter(layout="works").row(0, named=True)
    assert works["n_read"] == breaks.height
    assert works["n_rejected"] == 0
    early = found.filter(kind="install_after_failure")
    assert early["table_name"].unique().to_list() == ["works"]
    # counted from the file by other means: by rows as the README does, and without rows that repeat a break
    matched = breaks.join(mains, left_on="ASSETID", right_on="WATMAINID").with_columns(
        is_early=pl.col("break_date").str.slice(0, 4) < pl.col("year")
    )
    assert matched["is_early"].mean() == pytest.approx(0.138, abs=0.0005)
    once = matched.unique(["ASSETID", "break_date"])
    assert (early["n"].sum(), works["n_accepted"]) == (once["is_early"].sum(), once.height)
    assert works["n_duplicate"] == matched.height - once.height


def test_real_ages_are_heaped(real, tmp_path):
    """README: 82 % of the recorded ages end in 0 or 5."""
    spills = real("ca_private_lateral_spills_2007_2017.csv").filter(pl.col("age_years").is_not_null())
    assert (spills["age_years"].cast(pl.Float64) % 5 == 0).mean() == pytest.approx(0.82, abs=0.001)
    numbered = spills.filter(pl.col("age_note").is_null()).select("age_years").with_row_index("id")
    files = {
        "lots": (numbered.select("id"), columns(lot_id="id")),
        "inspections": (
            numbered,
            columns(lot_id="id", inspection_id="id", age_years="age_years")
            + '[columns.overall_verdict]\nvalue = "repair"\n',
        ),
    }
    found, _ = exposed(Workspace(tmp_path), files)
    heaped = found.filter(kind="heaped_ages").row(0, named=True)
    assert heaped["table_name"] == "inspections"
    ages = numbered["age_years"].cast(pl.Float64)
    # the check leaves out those under 10 and fractions: the young are often exact
    old = ages.filter((ages >= 10) & (ages == ages.round()))
    assert heaped["n"] == (old % 5 == 0).sum()
    assert heaped["detail"].startswith(
        f"{(old % 5 == 0).mean():.0%} of {old.len()} values of age_years end in 0 or 5"
    )
