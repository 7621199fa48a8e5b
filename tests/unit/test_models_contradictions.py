"""Looks that cannot all be true are told from looks that are merely unlikely, whatever rounding leaves behind.

What must come out is logic, not arithmetic: a certain bad call before a pipe was laid, or a whole line called bad
for certain while each of its segments was sound for certain later, has a chance of nought.
"""

from __future__ import annotations

import numpy as np
import pytest

from models.lives import Detection, LifeLooks, LifeRegression, LineLooks, Ridge, single_candidates
from models.series import series_chances

ONE = np.ones((1, 1))
PRIORS = (Ridge(terms=("hazard: all",), mean=-1.4, sd=1.4), Ridge(terms=("shape: all",), mean=1.0, sd=0.4))


def looks_of(install, width, life, year, bad) -> LifeLooks:
    candidates, row, probability = single_candidates(np.zeros(len(install), dtype=int))
    return LifeLooks(
        candidate_life=candidates,
        candidate_row=row,
        candidate_probability=probability,
        install_min=np.asarray(install, dtype=float),
        install_max=np.asarray(install, dtype=float) + width,
        look_life=life,
        look_year=year,
        look_bad=bad,
    )


def fitted(looks, lines=None, *, sensitivity=1.0):
    fit = LifeRegression(ridges=PRIORS, detection=Detection(sensitivity=sensitivity)).fit(
        ONE, ONE, looks, lines, X_names=["all"], Z_names=["all"]
    )
    assert fit.status == "ok"
    return fit


@pytest.mark.parametrize("n_looks", [2, 3, 4, 5])
@pytest.mark.parametrize("sensitivity", [0.7, 0.8, 0.83, 0.95])
@pytest.mark.parametrize("width", [0.0, 4.0])
def test_a_certain_bad_look_before_the_pipe_was_laid_is_impossible(n_looks, sensitivity, width) -> None:
    """The chance of it is a sum over when the pipe was laid, whose terms cancel up to rounding only."""
    years = np.linspace(1961.3, 2009.8, n_looks)
    bad = np.arange(n_looks) == n_looks // 2
    looks = looks_of(
        [2016.0, 1950.0, 1950.0],
        width,
        [0] * n_looks + [1, 2],
        [*years, 2000.0, 1980.0],
        [*bad, True, False],
    )
    assert fitted(looks, sensitivity=sensitivity).excluded_lives.tolist() == [0]


@pytest.mark.parametrize("is_line_bad", [0, 1])
@pytest.mark.parametrize("width", [0.0, 4.0])
def test_a_line_with_an_impossible_segment_is_impossible(is_line_bad, width) -> None:
    """A product with a factor of nought, which logarithms cannot hold, is still nought."""
    looks = looks_of(
        [2016.0, 1950.0, 1950.0, 1950.0],
        width,
        [0, 0, 2, 3],
        [1990.0, 2005.0, 2000.0, 1980.0],
        [False, True, True, False],
    )
    lines = LineLooks(line_year=[2022.0], line_bad=[is_line_bad], member_line=[0, 0], member_life=[0, 1])
    assert fitted(looks, lines, sensitivity=0.8).excluded_lives.tolist() == [0, 1]


@pytest.mark.parametrize("line_years", [[2008.0], [2003.0, 2011.0], [2001.0, 2006.0, 2013.0]])
@pytest.mark.parametrize("widths", [(9.0, 9.0), (9.0, 0.0), (9.0, 0.0, 9.0)])
def test_a_line_called_bad_whose_segments_were_all_sound_later_counts_as_failed(line_years, widths) -> None:
    """Every look certain: no chance fits them, so the line is shown as failed, not as what rounding makes of it."""
    n, k = len(widths), len(line_years)
    looks = looks_of(
        [1950.0] * (n + 2),
        np.array([*widths, 0.0, 0.0]),
        np.arange(n + 2),
        [*(2015.0 + np.arange(n)), 2000.0, 1980.0],
        [False] * n + [True, False],
    )
    lines = LineLooks(
        line_year=line_years,
        line_bad=[1] * k,
        member_line=np.repeat(np.arange(k), n),
        member_life=np.tile(np.arange(n), k),
    )
    fit = fitted(looks, lines)
    assert fit.excluded_lives.tolist() == list(range(n))
    draws = fit.draws(30, np.random.default_rng(1))
    found = series_chances(
        fit, ONE, ONE, looks, [0] * n + [1, 2], now=2026.0, horizon=5.0, draws=draws, line_looks=lines
    )
    assert found.line_failed_now.mean[0] == 1.0
    assert 0.0 < found.line_failed_now.low[2] < found.line_failed_now.high[2] < 1.0
