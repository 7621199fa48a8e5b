"""When scores take in what areas have in common: held-out looks decide, and where they cannot, the likelihood."""

import pytest

from models.backtest import Lead
from pipeline.settings import Settings
from pipeline.steps.validate_areas import AreasInScores, is_worth_it
from pipeline.vocabulary import Correction


@pytest.mark.parametrize(
    ("by", "error", "likelihood", "expected"),
    [
        (0.006, 0.002, -5.0, True),
        (-0.006, 0.002, 50.0, False),
        (-0.001, 0.003, 10.0, True),
        (0.001, 0.003, 0.5, False),
        (-0.001, 0.003, 0.5, False),
    ],
    ids=["better", "worse", "cannot tell, likely", "cannot tell, unlikely", "a little worse, unlikely"],
)
def test_held_out_looks_decide_and_else_the_likelihood(by, error, likelihood, expected):
    assert is_worth_it(Lead(by, error), likelihood) is expected


def test_switched_off_leaves_out_areas_and_nothing_else():
    settings = Settings()
    off = AreasInScores(False, None).settings(settings)
    assert set(settings.corrections) - set(off.corrections) == {Correction.AREAS}
    assert AreasInScores(True, None).settings(settings) is settings
