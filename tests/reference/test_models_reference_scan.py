"""The spatial scan against other programs and a published analysis.

nc_sids: sudden infant deaths by county of North Carolina (spData, CC0). Log likelihood ratios and rows: smerc
1.8.4 (which agrees with SaTScan 9.6 to six decimals), SpatialEpi 1.2.8 and a plain loop; see nc_sids.md.
"""

import json
from pathlib import Path

import numpy as np
import pytest

from models.scan import bernoulli_log_ratio, find_zones, poisson_log_ratio
from models.zones import points_layer

DATA = Path(__file__).parent / "data"
ANSWERS = json.loads((DATA / "nc_sids_scan.json").read_text())


@pytest.fixture(scope="module")
def counties(reference_table):
    table = reference_table("nc_sids")
    return {name: np.array([float(row[name]) for row in table]) for name in table[0] if name != "name"}


def zones_of(counties, *, cap, years):
    both = years == "7484"
    cases = counties["sid74"] + (counties["sid79"] if both else 0)
    births = counties["bir74"] + (counties["bir79"] if both else 0)
    layer = points_layer(counties["east"], counties["north"], births, cap=cap)
    return find_zones([layer], cases, births, most=4)


def rows_of(answer):
    rows = answer["rows"]
    return sorted(rows if isinstance(rows, list) else [rows])


@pytest.mark.parametrize("years", ["7484", "74"])
@pytest.mark.parametrize("cap", ["0.5", "0.25", "0.1"])
def test_zones_equal_reference_program(counties, years, cap):
    expected = ANSWERS[f"smerc_{years}"]
    expected = expected.get(cap) or expected[cap.lstrip("0")]
    found = zones_of(counties, cap=float(cap), years=years)
    assert len(found) >= len(expected)
    for zone, answer in zip(found, expected, strict=False):
        assert (zone.points + 1).tolist() == rows_of(answer)
        assert zone.log_ratio == pytest.approx(answer["llr"], abs=1e-6)
        assert zone.observed == answer["cases"]
        assert zone.expected == pytest.approx(answer["ex"], abs=1e-6)
        assert zone.radius == pytest.approx(answer["r"], abs=1e-6)


def test_zone_is_the_one_published(counties, reference_table):
    # Kulldorff 1997, Comm. Stat. Theory Meth. 26:1481-1496, 1974-84 (county names from memory).
    first, second = zones_of(counties, cap=0.5, years="7484")[:2]
    names = np.array([row["name"] for row in reference_table("nc_sids")])
    assert set(names[first.points]) == {"Bladen", "Columbus", "Hoke", "Robeson", "Scotland"}
    assert set(names[second.points]) == {"Halifax", "Hertford", "Northampton"}


@pytest.mark.parametrize("cap", ["0.1", "0.25", "0.5"])
def test_second_program_finds_the_same_rows(counties, cap):
    # SpatialEpi 1.2.8; its ratios are right only where the total expected is a whole number, as here.
    answer = ANSWERS["SpatialEpi"][f"SpatialEpi_eastnorth_7484_{cap}"]
    first = zones_of(counties, cap=float(cap), years="7484")[0]
    assert (first.points + 1).tolist() == sorted(answer["rows"])
    assert first.log_ratio == pytest.approx(answer["llr"], abs=1e-6)


def test_four_cases_of_four_among_62_of_203():
    # Humberside leukaemia (Cuzick & Edwards 1990; counts in spatstat's data): 4 of 4 against 62 of 203;
    # the ratio by hand: -58 ln(58/199) ... = 4.836516.
    by_hand = (
        58 * np.log(58 / 199) + 141 * np.log(141 / 199) - 62 * np.log(62 / 203) - 141 * np.log(141 / 203)
    )
    assert bernoulli_log_ratio(4, 4, 62, 203) == pytest.approx(by_hand, abs=1e-12)
    assert by_hand == pytest.approx(4.836516, abs=1e-6)


def test_ratio_of_no_excess_or_one_case_is_zero():
    # Kulldorff 1997: the ratio is 1 where there is no excess. One case alone is no cluster (judgement).
    assert poisson_log_ratio(3, 3, 10) == 0
    assert poisson_log_ratio(1, 0.01, 10) == 0
    assert poisson_log_ratio(10, 4, 10) == pytest.approx(10 * np.log(2.5))
