"""An electrode that follows far more slowly than the bench file says: a calibration finds it out, and results come."""

import pytest

from saltern.model.determination import Source
from tests.keeper import keeper
from tests.twin_bench import TwinBench, as_filed

BUFFERS = ["phosphate", "phthalate"]


def at_a_bench(lag_s):
    return keeper(seed=3, scenario={"twin": as_filed(TwinBench().config, electrode_lag_s=lag_s)})


@pytest.mark.parametrize("lag_s", [1.5, 12.0, 26.0, 45.0])
def test_a_calibration_finds_how_fast_the_electrode_follows(lag_s):
    hands = at_a_bench(lag_s)
    hands.run("calibrate-ph", buffers=BUFFERS)
    assert hands.service.config.probes.ph.lag_s == pytest.approx(lag_s, rel=0.15)


def test_a_slow_electrode_measures_once_it_is_calibrated():
    hands = at_a_bench(26.0)
    assert hands.service.measure(Source.TANK).alkalinity.verdict.value == "void"

    hands.run("calibrate-ph", buffers=BUFFERS)
    hands.stage.clock.sleep(3600.0)
    found = hands.service.measure(Source.TANK)
    assert found.alkalinity.verdict.value == "accepted"
    truth = hands.stage.play.tank_alkalinity(found.ph_read_s)
    assert abs(found.alkalinity.value - truth) < 3.0 * found.alkalinity.u


def test_hands_that_answer_too_late_leave_the_lag_as_it_was_and_the_words_say_so(monkeypatch):
    hands = at_a_bench(1.5)
    answers = hands.confirm

    def confirm(key, text):
        answers(key, text)
        hands.service.bench.wait(60.0)

    monkeypatch.setattr(hands, "confirm", confirm)
    hands.run("calibrate-ph", buffers=BUFFERS)
    assert hands.service.config.probes.ph.lag_s == hands.service.file.probes.ph.lag_s
    assert any("lag not seen, 3 s as before" in said for said in hands.said)
