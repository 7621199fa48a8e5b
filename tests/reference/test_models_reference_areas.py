"""Local statistics and small-area rates against other programs; sources: nc_sids.md, auckland.md, getisord.md, bh1995.md."""

import numpy as np
import pytest

from models.local_statistics import (
    benjamini_hochberg,
    getis_ord,
    local_moran,
    moran,
    neighbour_matrix,
    rate_moran,
    row_standardised,
    within,
)
from models.small_areas import clayton_kaldor, marshall_global, marshall_local, negative_binomial

TIGHT = {"rtol": 1e-9, "atol": 1e-12}


def columns(table):
    return {
        name: np.array([float(row[name]) for row in table]) for name in table[0] if name not in ("name", "")
    }


def pairs(table, n):
    listed = columns(table)
    return neighbour_matrix(listed["focal_row"] - 1, listed["neighbour_row"] - 1, n)


@pytest.fixture
def sids(reference_table):
    return columns(reference_table("nc_sids"))


@pytest.fixture
def county_neighbours(reference_table):
    return {name: pairs(reference_table(f"nc_sids_nb_{name}"), 100) for name in ("cr85", "cc89")}


@pytest.mark.parametrize("distance", [30, 60, 90, 120, 150])
@pytest.mark.parametrize("star", [True, False])
def test_getis_ord_on_their_grid(reference_table, reference_answers, distance, star):
    grid = columns(reference_table("getisord"))
    answer = reference_answers("getisord")[f"d{distance}"]
    near = within(grid["x"], grid["y"], distance)
    found = getis_ord(grid["val"], near, star=star)
    np.testing.assert_allclose(found, answer["gistar_all" if star else "gi_all"], **TIGHT)


def test_getis_ord_as_printed(reference_table):
    # Getis & Ord 1996, row 120 of the grid, d = 30 … 150; printed values from memory.
    grid = columns(reference_table("getisord"))
    found = [
        getis_ord(grid["val"], within(grid["x"], grid["y"], d), star=False)[119]
        for d in (30, 60, 90, 120, 150)
    ]
    np.testing.assert_allclose(found, [1.22, 1.75, 1.99, 1.89, 1.24], atol=0.005)


def test_local_statistics_of_counties(sids, county_neighbours, reference_answers):
    answer = reference_answers("nc_sids_local")
    rate, near = 1000 * sids["sid74"] / sids["bir74"], county_neighbours["cr85"]
    isolated = np.asarray(near.sum(axis=1)).ravel() == 0
    for name, star in (("gistar", True), ("gi", False)):
        found = getis_ord(rate, near, star=star)[~isolated]
        np.testing.assert_allclose(found, np.array(answer[name], dtype=float)[~isolated], **TIGHT)
    found = local_moran(rate, row_standardised(near))
    expected = {name: np.array(values, dtype=float) for name, values in answer["localmoran"].items()}
    np.testing.assert_allclose(found.statistic, expected["Ii"], **TIGHT)
    np.testing.assert_allclose(found.expectation, expected["E"], **TIGHT)
    np.testing.assert_allclose(found.variance, expected["V"], **TIGHT)
    np.testing.assert_allclose(found.z, expected["Z"], **TIGHT)
    np.testing.assert_allclose(found.p_value, expected["p"], **TIGHT)
    other = local_moran(rate, row_standardised(near), null="total")
    total = {
        name: np.array(values, dtype=float)
        for name, values in answer["localmoran_total_randomisation"].items()
    }
    np.testing.assert_allclose(other.expectation, total["E"], **TIGHT)
    np.testing.assert_allclose(other.variance, total["V"], **TIGHT)
    np.testing.assert_allclose(other.z, total["Z"], **TIGHT)


def test_moran_of_counties(sids, county_neighbours, reference_answers):
    answer = reference_answers("nc_sids_local")
    near = row_standardised(county_neighbours["cr85"])
    found = moran(1000 * sids["sid74"] / sids["bir74"], near)
    assert found.statistic == pytest.approx(answer["moran"]["Moran I statistic"], rel=1e-9)
    assert found.expectation == pytest.approx(answer["moran"]["Expectation"], rel=1e-9)
    assert found.variance == pytest.approx(answer["moran"]["Variance"], rel=1e-9)
    assert rate_moran(sids["sid74"], sids["bir74"], near) == pytest.approx(
        answer["EBImoran"]["stat"], rel=1e-9
    )


def test_global_rates_of_counties(sids, reference_answers):
    answer = reference_answers("nc_sids_eb")
    found = marshall_global(sids["sid74"], sids["bir74"])
    assert found.mean[0] == pytest.approx(0.00202144489, rel=1e-8)
    assert found.between_variance[0] == pytest.approx(answer["global_spdep"]["a"], rel=1e-10)
    np.testing.assert_allclose(found.rate, answer["global_spdep"]["estmm"], rtol=1e-9)
    binomial = marshall_global(sids["sid74"], sids["bir74"], family="binomial")
    np.testing.assert_allclose(binomial.rate, answer["global_binomial_spdep"]["estmm"], rtol=1e-9)


@pytest.mark.parametrize("graph", ["cr85", "cc89"])
def test_local_rates_of_counties_by_the_other_variance(sids, county_neighbours, reference_answers, graph):
    answer = reference_answers("nc_sids_eb")["local_spdep"]
    expected = answer[{"cr85": "spdep_EBlocal_74_ncCR85.nb", "cc89": "spdep_EBlocal_74_ncCC89.nb"}[graph]][
        "est"
    ]
    reference = np.array([np.nan if value in ("NaN", "NA", None) else value for value in expected], float)
    found = marshall_local(sids["sid74"], sids["bir74"], county_neighbours[graph], centre="own").rate
    defined = np.isfinite(reference)
    np.testing.assert_allclose(found[defined], reference[defined], rtol=1e-9)


@pytest.mark.parametrize("graph", ["cr85", "cc89"])
def test_local_rates_of_counties(sids, county_neighbours, reference_answers, graph):
    answer = reference_answers("nc_sids_eb")
    letters = {"cr85": "ncCR85", "cc89": "ncCC89"}[graph]
    found = marshall_local(sids["sid74"], sids["bir74"], county_neighbours[graph]).rate
    for expected in (
        answer["local_esda"][f"esda_SEB_{letters}.nb"],
        answer["local_spdep"][f"spdep_EBlocal_geoda_74_{letters}.nb"]["est"],
    ):
        reference = np.array([np.nan if value in ("NaN", "NA", None) else value for value in expected], float)
        defined = np.isfinite(reference)
        np.testing.assert_allclose(found[defined], reference[defined], rtol=1e-9)
        # Both programs give no number where an area and its neighbours have no event; 0 is ours.
        np.testing.assert_array_equal(found[~defined], 0.0)


def test_gamma_rates_of_counties(sids, reference_answers):
    answer = reference_answers("nc_sids_eb")
    expected = sids["bir74"] * sids["sid74"].sum() / sids["bir74"].sum()
    moments, program = clayton_kaldor(sids["sid74"], expected), answer["gamma_DCluster"]
    assert moments.shape == pytest.approx(program["nu"], rel=1e-4)
    assert moments.rate == pytest.approx(program["alpha"], rel=1e-4)
    np.testing.assert_allclose(moments.relative_risk, program["smthrr"], rtol=1e-4)
    likelihood, other = negative_binomial(sids["sid74"], expected), answer["gamma_SpatialEpi"]
    # That program writes the prior as size and log mean.
    assert likelihood.shape == pytest.approx(other["alpha"], rel=1e-4)
    assert np.log(likelihood.shape / likelihood.rate) == pytest.approx(other["beta"], rel=1e-3)
    np.testing.assert_allclose(likelihood.relative_risk, other["RR"], rtol=1e-4)


def test_rates_of_auckland(reference_table, reference_answers):
    areas, answer = columns(reference_table("auckland")), reference_answers("auckland_eb")
    exposure = 9 * areas["under5_1981"]
    whole = marshall_global(areas["deaths"], exposure)
    assert whole.mean[0] == pytest.approx(answer["global_"]["b"], rel=1e-10)
    assert whole.between_variance[0] == pytest.approx(answer["global_"]["a"], rel=1e-10)
    np.testing.assert_allclose(whole.rate, answer["global_"]["estmm"], rtol=1e-9)
    near = pairs(reference_table("auckland_nb"), len(exposure))
    # These are the program's default answers, with the other variance.
    local = marshall_local(areas["deaths"], exposure, near, centre="own")
    reference = answer["local"]
    np.testing.assert_allclose(local.rate, np.array(reference["est"], dtype=float), rtol=1e-9)
    np.testing.assert_allclose(local.mean, np.array(reference["parameters"]["m"], dtype=float), rtol=1e-9)
    np.testing.assert_allclose(
        local.between_variance, np.array(reference["parameters"]["a"], dtype=float), rtol=1e-7, atol=1e-14
    )


def test_false_discoveries_of_their_example(reference_answers):
    # Benjamini & Hochberg 1995, fifteen p-values from memory: four kept, Bonferroni keeps three.
    answer = reference_answers("bh1995")
    p = np.array(answer["p"])
    found = benjamini_hochberg(p, rate=answer["q"])
    assert found.is_kept.sum() == answer["bh_rejects"]
    assert (p <= answer["q"] / len(p)).sum() == answer["bonferroni_rejects"]
    # By hand: the fourth of fifteen is .0095 * 15 / 4.
    assert found.q_value[3] == pytest.approx(0.0095 * 15 / 4)
