"""What the campaign takes for known of an accepted lie, and what it does not."""

import pytest

from tests.faults.drawn import BENCHES, Drawn, table_of
from tests.faults.explained import known, within_own_error
from tests.faults.judge import Lie, Outcome

FAULTLESS = Drawn(table_of(BENCHES[0]))
LOSES = {"kind": "steps-lost", "pump": "sample", "at_phase": "rinse", "size": 0.05}
LOSING = Drawn(table_of(BENCHES[0]) | {"fault": [LOSES]})
FAR = Lie("alkalinity", 3, 200.0, 4.0)


def test_what_violates_more_than_a_lie_is_never_known():
    outcome = Outcome({"no accepted lie": "", "nothing spilled": ""}, [FAR])

    assert known(LOSING, outcome) == ""


def test_lost_steps_explain_what_a_pump_of_another_gain_would():
    outcome = Outcome({"no accepted lie": ""}, [FAR])

    assert "another gain" in known(LOSING, outcome)


def test_sea_water_in_the_bottle_explains_what_a_weaker_titrant_would():
    ran = {"kind": "head-leak", "pump": "titrant", "at_phase": "rinse", "for_h": 0.3}
    case = Drawn(table_of(BENCHES[0]) | {"fault": [ran]})

    assert "in the bottle for good" in known(case, Outcome({"no accepted lie": ""}, [FAR]))


@pytest.mark.soak
def test_lost_steps_explain_no_salinity():
    outcome = Outcome({"no accepted lie": ""}, [Lie("salinity", 3, 9.0, 0.2)])

    assert known(LOSING, outcome) == ""


@pytest.mark.soak
def test_a_bench_is_not_excused_by_an_error_that_it_does_not_have():
    assert not within_own_error(FAULTLESS, FAR)
    assert within_own_error(FAULTLESS, Lie("alkalinity", 3, -1.5, 4.0))
