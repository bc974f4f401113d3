"""A scenario played by the instrument's results: the service's own judges, records and picture, and no wire."""

from pathlib import Path

import numpy as np
import pytest
from pydantic import ValidationError

from saltern.cli.simulation import run
from saltern.config.loading import shipped_config
from saltern.errors import ConfigError
from saltern_drivers.twin.scenario import Scenario

TOP = {"schema_version", "determinations", "trips", "alerts", "truth", "ledger_bound_held", "wall_s", "tank"}


def played(days=4.0, seed=11, instruments="good", world="near", truth=None, **more):
    """Play a scenario by results; return what is printed, and the determinations."""
    twin = {"detail": "result", "instruments": instruments, "world": world, "truth": truth or {}}
    kept = []
    scenario = Scenario.model_validate({"seed": seed, "days": days, "twin": twin, **more})
    return run(scenario, Path(), kept=kept), kept


def errors_of(found):
    """Return the relative errors of the accepted results."""
    return [
        d["alkalinity"]["umol_per_kg"] / d["alkalinity"]["truth"] - 1.0
        for d in found["determinations"]
        if d["alkalinity"]["verdict"] == "accepted"
    ]


def test_it_prints_what_a_scenario_at_the_wire_prints_and_nothing_of_liquids():
    found, kept = played(days=1.0)

    assert set(found) == TOP
    assert len(found["determinations"]) == 7 == len(kept)  # the first is measured twice
    assert found["ledger_bound_held"] is None
    assert found["truth"]["peak_vessel_ml"] is None
    assert kept[0].end_point.e0_mv is not None
    assert kept[0].alkalinity.parts.epochs


def test_the_same_seed_plays_the_same():
    assert played(days=1.0)[0]["determinations"] == played(days=1.0)[0]["determinations"]


@pytest.mark.parametrize(
    ("fault", "percent"),
    [
        ({"kind": "pump-gain-shift", "pump": "sample", "size": 0.03}, 3.0),
        ({"kind": "pump-gain-shift", "pump": "titrant", "size": -0.03}, 3.1),
        ({"kind": "titrant-wrong-strength", "size": 0.05}, -4.8),
        ({"kind": "sample-line-air", "size": 0.02}, -2.0),
    ],
)
def test_a_fault_of_a_volume_moves_results_and_e0_as_volumes_do(fault, percent):
    still = {"electrode_drift_mv_per_h": 0.0}
    found, kept = played(days=4.0, truth=still, fault=[{"at_h": 46.0, **fault}])

    moved = [d["alkalinity"]["umol_per_kg"] / d["alkalinity"]["truth"] for d in found["determinations"]]
    e0_mv = [d.end_point.e0_mv for d in kept]
    step = 100.0 * (np.mean(moved[13:]) / np.mean(moved[:12]) - 1.0)
    assert step == pytest.approx(percent, abs=0.25)
    assert np.mean(e0_mv[13:]) - np.mean(e0_mv[:12]) == pytest.approx(-0.257 * percent, abs=0.35)


@pytest.mark.parametrize(
    ("fault", "why"),
    [
        ({"kind": "sample-pump-stalled"}, "sample-not-drawn"),
        ({"kind": "titrant-pump-stalled"}, "no-response-to-titrant"),
        ({"kind": "titrant-empty"}, "no-response-to-titrant"),
        ({"kind": "ph-disconnected"}, "probe-fault"),
    ],
)
def test_a_run_that_cannot_come_to_its_end_is_void_with_its_reason(fault, why):
    found, _ = played(days=1.0, keeper={"attentive": False}, fault=[{"at_h": 6.0, **fault}])

    verdicts = [(d["alkalinity"]["verdict"], d["alkalinity"]["reasons"]) for d in found["determinations"]]
    assert verdicts[1] == ("accepted", [])
    assert verdicts[3] == ("void", [why])


def test_a_factor_that_drifts_is_followed_by_references():
    found, _ = played(days=40.0, truth={"titre_ramp_percent_per_month": 3.0}, keeper={"reference_every_d": 4.0}, seed=5)

    off = 100.0 * np.array(errors_of(found))
    assert len(found["procedures"]) == 10
    assert abs(np.mean(off[-18:])) < 0.5  # 4 % without


@pytest.mark.parametrize(
    ("asked", "says"),
    [
        ({"fault": [{"kind": "leak", "at_h": 1}]}, "the fault leak"),
        ({"fault": [{"kind": "titrant-empty", "at_phase": "fill", "determination": 2}]}, "at a phase"),
        ({"twin": {"detail": "result", "truth": {"vessel_area_cm2": 20.0}}}, "the truth vessel_area_cm2"),
        ({"operator": [{"at_h": 1, "command": ["empty"]}]}, "the command empty"),
        ({"twin": {"detail": "result", "world": "apart"}}, "the world apart"),
        ({"twin": {"detail": "result", "lag_s": 9.0}}, "the error lag_s"),
    ],
)
def test_what_results_do_not_show_is_refused_by_name(asked, says):
    with pytest.raises(ValidationError, match=says):
        Scenario.model_validate({"seed": 1, "days": 1.0, "twin": {"detail": "result"}, **asked})


def test_the_tanks_picture_is_looked_for_as_ever():
    found, _ = played(days=3.0, tank={"volume_l": 400.0})

    last = found["tank"]["daily"][-1]
    assert last["alkalinity_dkh"]["truth"] == pytest.approx(7.0, abs=0.1)
    assert found["tank"]["advice"]


def test_a_bench_of_whose_results_nothing_is_known_is_refused(tmp_path):
    text = shipped_config("bench-simulated.toml").read_text()
    (tmp_path / "bench.toml").write_text(text.replace("schema_version = 1", 'schema_version = 1\nmethod = "gran"', 1))
    scenario = Scenario.model_validate({"seed": 1, "days": 1.0, "bench": "bench.toml", "twin": {"detail": "result"}})

    with pytest.raises(ConfigError, match="the method gran is not played by results"):
        run(scenario, tmp_path)
