"""Practice hands put an inlet where they are asked to, and into the bottle that stands there."""

import pytest

from saltern.model.determination import Source
from tests.keeper import keeper


def test_an_inlet_that_somebody_took_back_to_the_tank_comes_into_the_same_reference():
    """They made a bottle as strong as the tank was measured, and a factor 10 % off was accepted for it."""
    hands = keeper(seed=12)
    hands.service.measure(Source.TANK)

    def take_it_back_later(key):
        if hands.asked == ["inlet-in-reference"]:
            hands.stage.clock.call_later(120.0, hands.hands.put_back)

    hands.at_key = take_it_back_later
    found = hands.run("standardise", alkalinity_umol_kg=2200.0, u_umol_kg=2.0)
    hands.stage.close()

    assert hands.asked.count("inlet-in-reference") == 2
    assert found["values"]["titre.factor"] == pytest.approx(1.0, abs=0.01)
