"""What is excused is one quantity, of one kind, between two sizes: never a case."""

from saltern_drivers.twin.scenario import FAULTS
from tests.faults.blind import BLIND, SIZES, is_blind
from tests.faults.judge import RESOLUTION

NOT_OF_A_RESULT = {"beside", "records"}


def test_every_row_is_of_a_known_fault_and_quantity_and_says_why_and_what_shows_it():
    for row in BLIND:
        assert row.kind in FAULTS
        assert row.quantity in {*RESOLUTION, *NOT_OF_A_RESULT}
        assert 0.0 <= row.least <= row.most
        assert row.why
        assert row.shown_by
        assert set(row.pumps) <= {"sample", "waste", "titrant"}


def test_every_row_with_a_size_knows_what_a_scenario_means_that_gives_none():
    with_sizes = {row.kind for row in BLIND if row.most < 100.0 or row.least > 0.0}

    assert with_sizes == set(SIZES)


def test_a_kind_is_judged_on_the_other_quantities_at_other_sizes_and_at_other_pumps():
    assert is_blind({"kind": "drain-partial"}, "alkalinity")
    assert not is_blind({"kind": "drain-partial"}, "ph_total")
    assert not is_blind({"kind": "drain-partial", "size": 20.0}, "alkalinity")
    assert not is_blind({"kind": "titrant-wrong-strength"}, "alkalinity")  # by a half, which is seen
    assert is_blind({"kind": "titrant-wrong-strength", "size": -0.05}, "alkalinity")
    assert is_blind({"kind": "pump-gain-shift", "pump": "sample"}, "alkalinity")
    assert not is_blind({"kind": "pump-gain-shift", "pump": "waste"}, "alkalinity")


def test_a_drive_that_goes_on_turning_is_not_excused():
    assert is_blind({"kind": "sample-pump-runaway", "for_h": 0.1}, "alkalinity")
    assert not is_blind({"kind": "sample-pump-runaway"}, "alkalinity")


def test_a_worn_titrant_head_is_excused_in_the_result_during_which_it_begins_alone():
    worn = {"kind": "head-leak", "pump": "titrant", "size": 0.5}

    assert is_blind(worn, "alkalinity", begins=True)
    assert not is_blind(worn, "alkalinity")
    assert not is_blind({**worn, "size": 2.0}, "alkalinity", begins=True)
