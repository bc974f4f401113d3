"""Numbers in a page's words: nothing is said to last longer, or to be surer, than it is."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from saltern.chemistry.alkalinity_unit import AlkalinityUnit
from saltern.report import words


def advice(days, correction, supplements=()):
    return words.advice(
        {
            "advice": {
                "dose_dkh_per_day": 0.6,
                "correction_dkh_per_day": correction,
                "days": days,
                "withheld_because": None,
                "mend": None,
                "supplements": list(supplements),
            },
            "salinity": 35.0,
        },
        AlkalinityUnit.DKH,
    )


SODA = {"name": "soda", "ml_per_day": 61.0, "hold_ml_per_day": 92.0}


@pytest.mark.parametrize(
    ("said", "expected"),
    [
        (advice(0, 0.0, [{**SODA, "ml_per_day": 92.0}]), "soda 92 mL a day"),
        (advice(1, -0.2, [SODA]), "soda 61 mL for one day, then 92 mL a day"),
        (advice(3, -0.2, [SODA]), "soda 61 mL a day for 3 days, then 92 mL"),
        (advice(3, -0.2), "0.40 dKH a day for 3 days, then 0.60 dKH"),
        (words.advice(None, AlkalinityUnit.DKH), "none: the bench file has no table [tank], or nothing was measured"),
    ],
)
def test_a_dose_is_said_for_as_long_as_it_holds(said, expected):
    assert said == expected


def test_advice_that_is_withheld_says_why_and_that_the_last_dose_stays():
    word = {"withheld_because": "ph-high", "mend": "Let pH fall."}

    said = words.advice({"advice": word}, AlkalinityUnit.DKH)

    assert said == "none (ph-high): Let pH fall. Keep to the last dose meanwhile."


@given(st.floats(0.0, 1000.0))
def test_what_runs_out_is_never_said_to_last_longer(days):
    said = words.days(days)

    assert (0 if said.startswith("less") else int(said.split()[0])) <= days


@given(st.floats(0.1, 500.0), st.floats(500.0, 5000.0), st.sampled_from(AlkalinityUnit))
def test_an_uncertainty_is_never_shown_as_zero(u, value, unit):
    _, spread = words.alkalinity({"umol_per_kg": value, "dkh": value / 350.0, "u": u}, unit)

    assert float(spread) > 0.0
