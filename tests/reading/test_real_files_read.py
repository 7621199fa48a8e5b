"""The real files: every row accounted for, every material text read, rejected or asked about.

Skipped where the files are absent; nothing of them is kept here.
"""

import sys
from collections import Counter
from datetime import date
from pathlib import Path

import polars as pl
import pytest

from pipeline import readers, validate
from pipeline.column_map import ColumnMap, propose
from pipeline.material_runs import parse_run
from pipeline.quantities import Fault

TODAY = date(2026, 6, 30)
EXAMPLES = Path(__file__).parents[2] / "pipeline/examples"

#: What the normalised column of the spill file calls our materials.
NORMALISED = {
    "clay": "vitrified_clay",
    "PVC": "pvc",
    "ABS": "abs",
    "cast iron": "cast_iron",
    "asbestos cement": "asbestos_cement",
    "bituminous fibre": "bituminized_fiber",
    "concrete": "concrete",
    "HDPE": "polyethylene",
    "ductile iron": "ductile_iron",
}


def test_material_spellings_of_the_spill_file(real, record_property, capsys):
    frame = pl.read_csv(real("ca_private_lateral_spills_2007_2017.csv"), infer_schema=False)
    filled = frame.filter(pl.col("material_raw").is_not_null())
    outcome: Counter[str] = Counter()
    disagreeing = set()
    for text, known in filled.select("material_raw", "material").rows():
        found = parse_run(text)
        if isinstance(found, Fault):
            outcome[found.code.value] += 1
            continue
        assert len(found) == 1, text
        if found[0].material == "unknown":
            assert known in {None, "other/unparsed"}, text
            outcome["says unknown"] += 1
        elif known in NORMALISED:
            agrees = found[0].material == NORMALISED[known]
            outcome["agrees" if agrees else "disagrees"] += 1
            disagreeing |= set() if agrees else {text}
        else:
            outcome["read, no normalised word to compare"] += 1
    share = outcome["agrees"] / (outcome["agrees"] + outcome["disagrees"])
    report = (
        f"\n{filled.height} material texts in {filled['material_raw'].n_unique()} spellings: {dict(outcome)}; agreement "
        f"where the normalised column is filled and the text unambiguous: {share:.2%}\n"
    )
    record_property("agreement", share)
    with capsys.disabled():
        sys.stdout.write(report)
    assert sum(outcome.values()) == filled.height
    assert share >= 0.98, disagreeing
    # None may be refused wholesale: the usual spellings are most of the file.
    assert outcome["agrees"] >= 0.85 * filled.height


def test_the_ambiguous_spellings_of_the_spill_file_are_asked_about(real):
    frame = pl.read_csv(real("ca_private_lateral_spills_2007_2017.csv"), infer_schema=False)
    spellings = frame["material_raw"].drop_nulls().unique()
    for text in spellings:
        folded = text.casefold().replace(".", "").replace(" ", "")
        if folded in {"cip", "ct", "tc"} or ("/" in text and folded not in {"t/c", "n/a"}):
            assert isinstance(parse_run(text), Fault), text


def test_the_sewer_file_is_read_to_the_last_row(real):
    column_map = ColumnMap.from_file(EXAMPLES / "sewer_network_metric.toml")
    path = real("sewer_inspections.csv")
    raw = readers.read(path, delimiter=column_map.delimiter, header_row=column_map.header_row)
    found = validate.check(raw, column_map, today=TODAY)
    # 3,532 inspections of 2,836 pipes: the file's own description.
    assert found.n_read == 3532
    assert found.n_rejected + found.tables["inspections"].height == 3532
    assert found.n_rejected == 0
    assert found.tables["lots"]["lot_id"].n_unique() == 2836
    given = pl.read_csv(path, separator=";")
    looks, segments = found.tables["inspections"], found.tables["segments"]
    # The file's target is 1 exactly where the class is 1 to 4, which the map calls repair or worse.
    bad = looks["overall_verdict"].is_in(["repair", "replace"])
    assert (bad.cast(pl.Int64) == given["target"]).all()
    assert looks["lot_id"].to_list() == [str(int(pipe)) for pipe in given["pipe_id"]]
    assert looks["end_ft"].to_list() == pytest.approx((given["pipe_length"] / 0.3048).to_list())
    assert segments["diameter_in"].to_list() == pytest.approx((given["pipe_height"] / 25.4).to_list())
    assert segments["material"].is_in(["unknown"]).sum() == 0
    assert (segments["material"] == "concrete").sum() == (given["material"] == "Beton").sum()


def test_the_sewer_file_is_read_with_less_help(real):
    proposal = propose(readers.read(real("sewer_inspections.csv")), today=TODAY)
    placed = {name: rule.headers[0] for name, rule in proposal.map.columns.items()}
    assert proposal.map.layout == "jobs"
    expected = {
        "lot_id": "pipe_id",
        "age_years": "pipe_age",
        "x": "Coord_X",
        "y": "Coord_Y",
        "depth_ft": "depth_avg",
    }
    assert expected.items() <= placed.items()


@pytest.mark.parametrize(
    "name", ["ca_agency_lateral_exposure.csv", "kitchener_breaks_clean.csv", "kitchener_mains_clean.csv"]
)
def test_the_other_files_are_read_to_the_last_row(real, name):
    path = real(name)
    raw = readers.read(path)
    assert raw.n_read == pl.read_csv(path, infer_schema=False).height
    assert raw.malformed.is_empty()
