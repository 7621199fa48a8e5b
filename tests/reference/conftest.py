"""Published cases: rows, and what other programs and the publications make of them."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest

DATA = Path(__file__).parent / "data"


class Case:
    """One case; `rows(group)` are left, right, weight of a group ('ALL' or 'all' of everything)."""

    def __init__(self, name):
        self.answers = json.loads((DATA / f"{name}.json").read_text())
        with (DATA / f"{name}.csv").open(newline="") as file:
            self.table = list(csv.DictReader(file))

    def column(self, name):
        return np.array([float(row[name]) for row in self.table])

    def rows(self, group):
        kept = np.array([row.get("group") == group or group == "ALL" for row in self.table])
        return tuple(self.column(name)[kept] for name in ("left", "right", "weight"))


@pytest.fixture(scope="session")
def reference_case():
    return Case


@pytest.fixture(scope="session")
def reference_table():
    """Rows of a data file, as text."""

    def read(name):
        with (DATA / f"{name}.csv").open(newline="") as file:
            return list(csv.DictReader(file))

    return read


@pytest.fixture(scope="session")
def reference_answers():
    return lambda name: json.loads((DATA / f"{name}.json").read_text())
