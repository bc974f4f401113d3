"""A determination evaluated again under other calibrations gives what it would have given under them."""

import pytest

from saltern.errors import CurveError
from saltern.model.determination import Source
from saltern.procedures.again import evaluated_again
from tests.keeper import keeper
from tests.twin_bench import TwinBench


@pytest.fixture(scope="module")
def determination():
    return TwinBench(seed=5).determine()


def test_as_it_was_made_it_gives_what_it_gave(determination):
    _, alkalinity = evaluated_again(determination)
    assert alkalinity == pytest.approx(determination.alkalinity.value, abs=1e-9)


@pytest.mark.parametrize(
    ("option", "change", "effect"),
    [
        ("pumps.titrant.ml_per_unit", 1.01, 1.01),
        ("pumps.sample.ml_per_unit", 1.01, 1.0 / 1.01),
        ("titrant.concentration_mol_per_l", 0.98, 0.98),
        ("titre.factor", 1.003, 1.003),
    ],
)
def test_it_scales_with_what_the_calibration_changes(determination, option, change, effect):
    options = {option: determination.calibrated[option] * change}
    _, alkalinity = evaluated_again(determination, None, options)
    assert alkalinity == pytest.approx(determination.alkalinity.value * effect, rel=2e-3)


def test_without_its_curve_it_cannot_be():
    hands = keeper()
    hands.service.bench.request_stop()
    d = hands.service.measure(Source.TANK)
    with pytest.raises(CurveError, match="no curve"):
        evaluated_again(d)
