"""Numbers in a page's words: nothing is said to last longer, or to be surer, than it is."""

from zoneinfo import ZoneInfo

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


@pytest.mark.parametrize(
    ("level", "downwards", "said"),
    [
        (7.2, True, "below 7.00 dKH, out of its band, on Thursday 05 March if nothing else is done, 70 % sure"),
        (6.9, True, "it is below 7.00 dKH now, out of its band"),
        (6.9, False, "above 7.00 dKH, out of its band, on Thursday 05 March if nothing else is done, 70 % sure"),
        (7.1, False, "it is above 7.00 dKH now, out of its band"),
    ],
)
def test_a_tank_that_has_left_its_band_is_not_forecast_to_leave_it(level, downwards, said):
    found = {"leaves_at_utc": "2026-03-06T00:00:00+00:00", "downwards": downwards, "probability": 0.7, "limit_dkh": 7.0}
    tank = {"salinity": 35.0, "consumption": {"level_dkh": {"value": level, "u": 0.02}}, "forecast": found}

    assert words.ahead(tank, AlkalinityUnit.DKH, ZoneInfo("UTC")) == said
