"""The instrument by its results against the instrument at its wires: the same benches, the same tanks.

`courses_at_the_wire.json` says how results of benches at the wire went; `python -m tests.benchmarks.instrument courses`
makes it. Here the same seeds are played by results. What is drawn differs, so that they agree as two samples do.
"""

import json
from functools import cache
from math import sqrt
from pathlib import Path

import numpy as np
import pytest

from saltern.cli.simulation import run
from saltern_drivers.twin.instrument import KNOWN_TRUTHS
from saltern_drivers.twin.scenario import Scenario
from saltern_drivers.twin.truth_table import TABLE
from tests.benchmarks.instrument import apart_in_sigmas, by_results, course_of
from tests.benchmarks.instrument_at_the_wire import at_the_wire, record

KEPT = json.loads(Path(__file__).with_name("courses_at_the_wire.json").read_text())
KINDS = [(world, instruments) for world in ("near", "unfriendly") for instruments in ("good", "hobby")]
OF_A_SLICE = 4
RUNS = 29
MOST_SIGMAS = 5.0
COMPARED = (
    "accepted", "mean", "sd", "follows", "drift", "u", "pH mean", "pH sd", "salinity mean", "salinity sd",
)  # fmt: skip


def kept(world, instruments):
    """Return the benches of a kind that were played at the wire."""
    return [bench for bench in KEPT if (bench["world"], bench["instruments"]) == (world, instruments)]


@cache
def slice_of(world, instruments):
    """Return the courses of some of them, by results."""
    return [by_results(instruments, world, bench["seed"]) for bench in kept(world, instruments)[:OF_A_SLICE]]


def demand_alike(wire, results):
    """Hold two samples of benches against each other in all that is compared."""
    off = {name: round(apart_in_sigmas(wire, results, name), 1) for name in COMPARED}
    assert all(abs(sigmas) < MOST_SIGMAS for sigmas in off.values()), off


@pytest.mark.parametrize(("world", "instruments"), KINDS)
def test_results_without_a_wire_go_as_they_go_at_the_wire(world, instruments):
    demand_alike([bench["course"] for bench in kept(world, instruments)], slice_of(world, instruments))


@pytest.mark.parametrize("instruments", ["good", "hobby"])
def test_a_bench_has_the_same_bias_by_its_results_as_at_its_wires(instruments):
    """Gains, strength and residue are the twin's own truths in both: what is left is the mean of two scatters."""
    for bench, found in zip(kept("near", instruments), slice_of("near", instruments), strict=False):
        wire = bench["course"]
        assert found["bare mean"] == pytest.approx(wire["bare mean"], abs=4.0 * wire["sd"] * sqrt(2.0 / RUNS))


@pytest.mark.soak
@pytest.mark.parametrize(("world", "instruments"), KINDS)
def test_benches_that_were_never_looked_at_agree_too(world, instruments):
    """Of other seeds than those of the table: six at the wire, forty by results."""
    wire = [course_of(record(at_the_wire(instruments, world, seed))["determinations"]) for seed in range(9000, 9006)]
    results = [by_results(instruments, world, seed) for seed in range(9000, 9040)]

    demand_alike(wire, results)
    assert np.isfinite([course["mean"] for course in wire if "mean" in course]).all()


@pytest.mark.soak
@pytest.mark.parametrize("pump", ["sample", "titrant"])
def test_a_volume_moves_e0_at_the_wire_as_it_does_by_results(pump):
    """RT/F times the logarithm of what it multiplies a result with: 0.257 mV for a percent."""
    found = []
    fault = {"kind": "pump-gain-shift", "pump": pump, "size": 0.03 if pump == "sample" else -0.03, "at_h": 46.0}
    twin = {"truth": {"electrode_drift_mv_per_h": 0.0}}
    run(Scenario.model_validate({"seed": 11, "days": 3.9, "twin": twin, "fault": [fault]}), Path(), kept=found)

    before, after = (
        [d.end_point.e0_mv for d in found if (d.started_s > 46.0 * 3600.0) is late] for late in (False, True)
    )
    scatter = float(np.std(before)) * sqrt(1.0 / len(before) + 1.0 / len(after))
    assert np.mean(after) - np.mean(before) == pytest.approx(-25.7 * np.log(1.03), abs=4.0 * scatter)


def by_day(**truth):
    """Return the determinations of half a day by results, but the first, of a near bench with these truths pinned."""
    found = []
    twin = {"detail": "result", "truth": truth}
    run(Scenario.model_validate({"seed": 11, "days": 0.7, "twin": twin}), Path(), kept=found)
    return found[1:]  # it is measured twice


def test_a_full_tank_gives_more_sample_by_results_too():
    """200 mm less to lift at 10 % a metre: two percent more, as the day begins; nothing at noon."""
    swings = by_day(flow_loss_percent_per_m=10.0, tank_level_swing_mm=200.0)
    still = by_day()

    ratio = [a.alkalinity.value / b.alkalinity.value for a, b in zip(swings, still, strict=True)]
    assert ratio[0] == pytest.approx(1.0 + 0.02 * 100.0 / 101.5, abs=3e-4)
    assert ratio[3] == pytest.approx(1.0, abs=1e-3)


def test_light_moves_e0_by_results_too():
    lit, dark = by_day(light_mv=2.0, light_from_h=9.0), by_day()

    moved = [a.end_point.e0_mv - b.end_point.e0_mv for a, b in zip(lit, dark, strict=True)]
    assert moved == pytest.approx([0.0, 0.0, 0.0, 2.0, 2.0], abs=0.01)


def test_truths_that_are_played_by_results_are_truths_of_the_table():
    assert set(TABLE) >= KNOWN_TRUTHS
