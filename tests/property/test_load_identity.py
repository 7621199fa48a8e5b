"""Whatever a file holds: read = accepted + unchanged + duplicate + rejected, and core holds each key once."""

from __future__ import annotations

import tempfile
from datetime import date
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.settings import Workspace
from pipeline.warehouse import open_warehouse
from tests.warehouse_frames import load_jobs, load_rows

ids = st.sampled_from(["A", "B", "C"])
numbers = st.sampled_from(["1", "2", "3", "4"])
years = st.sampled_from([None, 1950, 1951])
lots = st.lists(st.fixed_dictionaries({"lot_id": ids, "year_built": years}), max_size=6)
findings = st.lists(
    st.fixed_dictionaries(
        {
            "inspection_id": numbers,
            "number": st.sampled_from([None, 1, 2]),
            "at_ft": st.sampled_from([5.0, 30.0, 99.0]),
            "kind": st.sampled_from(["crack", "roots"]),
        }
    ),
    max_size=6,
)
jobs = st.lists(
    st.fixed_dictionaries(
        {
            "inspection_id": numbers,
            "lot_id": ids,
            "year_built": years,
            "inspection_date": st.sampled_from([date(2000, 1, 1), date(2010, 1, 1)]),
            "end_ft": st.sampled_from([None, 40.0]),
            "segments": st.lists(
                st.fixed_dictionaries(
                    {
                        "material": st.sampled_from(["pvc", "abs"]),
                        "install_year": st.sampled_from([None, 2005]),
                    }
                ),
                max_size=2,
            ),
        }
    ),
    max_size=6,
)
files = st.lists(
    st.one_of(
        st.tuples(st.just("lots"), lots),
        st.tuples(st.just("jobs"), jobs),
        st.tuples(st.just("findings"), findings),
    ),
    min_size=1,
    max_size=4,
)

KEYS = {
    "lots": "lot_id",
    "inspections": "inspection_id",
    "segments": "(lot_id, observed_by, sequence)",
    "findings": "(inspection_id, number)",
}


@given(files)
@settings(max_examples=25, deadline=None)
def test_every_row_is_accounted_for(files):
    with tempfile.TemporaryDirectory() as folder, open_warehouse(Workspace(Path(folder))) as warehouse:
        for layout, rows in files:
            report = load_jobs(warehouse, rows) if layout == "jobs" else load_rows(warehouse, layout, rows)
            assert report.n_read == len(rows)
            parts = (report.n_accepted, report.n_unchanged, report.n_duplicate, report.n_rejected)
            assert min(parts) >= 0
            assert sum(parts) == report.n_read
        for table, key in KEYS.items():
            n, n_keys = warehouse.frame(f"SELECT count(*), count(DISTINCT {key}) FROM core.{table}").row(0)
            assert n == n_keys
        loads = warehouse.frame("FROM records.loads")
        superseded = sum(
            warehouse.frame(
                f"SELECT count(*) AS n FROM core.{table}_superseded WHERE load_id <> superseded_by_load"
            )["n"][0]
            for table in KEYS
        )
        assert loads["n_superseded"].sum() == superseded
