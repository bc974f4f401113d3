"""Effects that are real in the twin, and what takes care of each.

Every first test says that the result is right; the one after it takes the care away, and shows that the first
would then have failed.
"""

from dataclasses import replace

import pytest

from saltern.chemistry.endpoint import least_squares
from saltern.errors import CurveError
from saltern.model.determination import Determination
from tests.twin_bench import TwinBench

WIDE_TIP = {"pumps.titrant.line.bore_mm": 1.2}
RESIDUE = {"vessel.residue_ml": 6.0, "vessel.waste_tip_mm": 3.0}
WARM_TANK = {"temperature_c": 30.0}
A_WEEK_S = 7 * 86400.0


def is_right(twin: TwinBench, d: Determination) -> bool:
    return abs(twin.error(d)) < 3.0 * d.alkalinity.u


def test_residue_counts_as_sample():
    twin = TwinBench(true=RESIDUE)

    assert is_right(twin, twin.determine())


def test_without_the_residue_correction_it_would_be_wrong():
    twin = TwinBench(true=RESIDUE, stated={"vessel.residue_ml": 0.0})

    assert twin.error(twin.determine()) > 100.0


def test_acid_that_crept_out_of_the_idle_tip_is_discarded():
    twin = TwinBench(true=WIDE_TIP)
    twin.determine()
    twin.bench.idle(A_WEEK_S)

    assert is_right(twin, twin.determine())


def test_without_the_discard_the_weak_tip_would_read_high():
    twin = TwinBench(true=WIDE_TIP, stated={"titrant.tip_discard_ml": 0.0})
    twin.determine()
    twin.bench.idle(A_WEEK_S)
    d = twin.determine()

    assert twin.error(d) > 3.0 * d.alkalinity.u


@pytest.mark.parametrize("kind", ["raw", "linear", "nonlinear"])
def test_salinity_is_right_whatever_the_board_compensates(kind):
    twin = TwinBench(true={"probes.conductivity.compensation.kind": kind}, tank=WARM_TANK)
    d = twin.determine()

    assert abs(d.salinity.value - twin.play.as_read(d.ph_read_s)[1]) < 3.0 * d.salinity.u


def test_without_undoing_the_compensation_the_salinity_would_be_wrong():
    stated = {"probes.conductivity.compensation.kind": "raw"}
    twin = TwinBench(true={"probes.conductivity.compensation.kind": "linear"}, stated=stated, tank=WARM_TANK)
    d = twin.determine()

    assert abs(d.salinity.value - twin.play.as_read(d.ph_read_s)[1]) > 3.0 * d.salinity.u


def test_carbonate_that_is_left_is_in_the_balance():
    twin = TwinBench()

    assert is_right(twin, twin.determine())


def test_without_the_carbonate_term_the_curve_would_not_be_understood(monkeypatch):
    twin = TwinBench()
    d = twin.determine()
    complete = least_squares.medium_of
    monkeypatch.setattr(least_squares, "medium_of", lambda k, t: replace(complete(k, t), k1=1e-20, k1k2=1e-40))

    with pytest.raises(CurveError, match="best fit leaves"):
        least_squares.least_squares(d.curve, d.conditions, d.priors)
