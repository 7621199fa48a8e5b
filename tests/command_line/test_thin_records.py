"""Records that can tell hardly anything: they load, build and score, and what is too thin is said."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pipeline.published.read import open_current
from pipeline.settings import Workspace

HEADER = "Address,Date,Year laid,Pipe,Length,Verdict\n"
#: A line that no camera has been in, of the pipe that the records are of.
UNSEEN_LOT = "lot_id,address,year_built\nL99,99 Elm Street,1950\n"
UNSEEN_LINE = "lot_id,sequence,material,install_year,length_ft\nL99,1,vitrified_clay,1950,60\n"


def records(
    n: int,
    is_bad: Callable[[int], bool],
    year: Callable[[int], int] = lambda i: 1940 + i % 50,
    street: str = "Oak",
    pipe: str = "VCP",
) -> str:
    rows = (
        f"{i} {street} Street,2021-03-04,{year(i)},{pipe},60,{'repair' if is_bad(i) else 'good'}\n"
        for i in range(1, n + 1)
    )
    return "".join(rows)


EVERY_THIRD = records(60, lambda i: i % 3 == 0)
#: Records; chance of the unseen line at least from and at most to; least width of its range; what is said of clay.
CASES = {
    "nobody failed": (
        records(60, lambda i: False),
        0.0,
        0.2,
        0.01,
        "60 looks at 60 lives, 0 of them seen failed",
    ),
    "all failed": (
        records(60, lambda i: True),
        0.8,
        1.0,
        0.0,
        "60 looks at 60 lives, 60 of them seen failed",
    ),
    "one record, sound": (
        records(1, lambda i: False),
        0.01,
        0.7,
        0.3,
        "Too few records: 1 looks at 1 lives, 0",
    ),
    "one record, failed": (
        records(1, lambda i: True),
        0.2,
        0.99,
        0.3,
        "Too few records: 1 looks at 1 lives, 1",
    ),
    "two of a material": (
        EVERY_THIRD + records(2, lambda i: i == 1, street="Ash", pipe="PVC"),
        0.1,
        0.6,
        0.05,
        "60 looks at 60 lives, 20 of them seen failed",
    ),
    "one age": (
        records(60, lambda i: i % 3 == 0, year=lambda i: 1950),
        0.1,
        0.6,
        0.05,
        "60 looks at 60 lives, 20 of them seen failed",
    ),
    "all new": (
        records(60, lambda i: i % 3 == 0, year=lambda i: 2021),
        0.1,
        1.0,
        0.0,
        "60 looks at 60 lives, 20 of them seen failed",
    ),
    "age tells all": (
        records(60, lambda i: i > 30, year=lambda i: 1990 if i <= 30 else 1930),
        0.01,
        0.99,
        0.1,
        "60 looks at 60 lives, 30 of them seen failed",
    ),
}


def built(underlot: Any, tmp_path: Path, text: str) -> Workspace:
    workspace = Workspace(tmp_path / "w")
    for name, content in (("jobs", HEADER + text), ("lots", UNSEEN_LOT), ("segments", UNSEEN_LINE)):
        (tmp_path / f"{name}.csv").write_text(content)
        answer = underlot(
            "load", tmp_path / f"{name}.csv", "--layout", name, "--yes", workspace=workspace.root
        )
        assert answer.code == 0, answer.err
        assert "0 rejected" in answer.out
    answer = underlot("build", workspace=workspace.root)
    assert answer.code == 0, answer.err
    return workspace


@pytest.mark.parametrize("case", CASES)
def test_thin_records_give_a_wide_range_or_say_what_is_too_few(underlot, tmp_path: Path, case: str) -> None:
    text, low, high, width, said = CASES[case]
    workspace = built(underlot, tmp_path, text)
    with open_current(workspace) as reader:
        lot = reader.query("SELECT * FROM lots WHERE address = '99 Elm Street'").row(0, named=True)
        groups = {
            row["material"]: row
            for row in reader.query("SELECT * FROM fitted_groups WHERE outcome = 'any'").iter_rows(named=True)
        }
    assert lot["status"] == "ok"
    assert low <= lot["failure_probability"] <= high
    assert lot["failure_probability_lower"] <= lot["failure_probability"] <= lot["failure_probability_upper"]
    assert lot["failure_probability_upper"] - lot["failure_probability_lower"] >= width
    assert said in groups["vitrified_clay"]["sentence"]
    if "pvc" in groups:
        assert groups["pvc"]["status"] == "too_few_records"
        assert "2 looks at 2 lives" in groups["pvc"]["sentence"]
    for asked in ("1 Oak Street", "99 Elm Street"):
        answer = underlot("score", asked, workspace=workspace.root)
        assert (answer.code, answer.err) == (0, "")
        assert "nan" not in answer.out.lower()
