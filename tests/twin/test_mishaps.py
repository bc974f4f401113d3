"""Each fault is seen in the twin's own state: in what moves, in what stands where, in what goes over a wire."""

import sqlite3
from contextlib import closing, contextmanager

import pytest
from pydantic import ValidationError

from saltern.cli import simulated_card
from saltern.cli.simulation import Stage, bench_of, load_scenario
from saltern.clock import VirtualClock
from saltern.config.loading import bench_from
from saltern.errors import StartupError
from saltern_drivers.twin.scenario import FAULTS, FaultTable, Play, Scenario
from saltern_drivers.twin.world import SEAWATER_G_ML
from tests.twin_bench import as_filed, bench_table

TIMED_SAMPLE = {
    "pumps.sample.ml_per_unit": 1.6667,
    "pumps.sample.drive": {"driver": "gpio-timed-pump", "pin": 17},
}


class Bench:
    """A world and its wires, with nobody who drives them but the test."""

    def __init__(self, true=None, **truth):
        self.clock = VirtualClock()
        config = bench_from(bench_table(true), where="test")
        table = {"seed": 5, "days": 1.0, "twin": {**as_filed(config, **truth), "sample_repeatability": 0.0}}
        self.play = Play(Scenario.model_validate(table), config.model_dump(), self.clock)
        self.world = self.play.world

    def strike(self, kind, **fault):
        """Let a fault begin now; return what ends it."""
        return FAULTS[kind](self.play, FaultTable(kind=kind, at_h=0.0, **fault))

    def holds(self, ml):
        """Let tank water stand in the vessel."""
        self.world.vessel = self.world.tank.water(ml * SEAWATER_G_ML)

    def step(self, pump, line, pulses=1600, *, reverse=False):
        """Send pulses to a stepper whose permit is there, and let them end."""
        head = self.world.pumps[pump]
        head.enabled, head.permitted_until_s = True, self.clock.monotonic() + 1e9
        head.reverse = reverse
        self.play.wires.pulses.queue(line, pulses, 20, 355)
        self.clock.sleep(pulses * 375e-6 + 0.1)

    def power(self, pump, seconds):
        """Give a timed head its power for so long."""
        head = self.world.pumps[pump]
        head.permitted_until_s = self.clock.monotonic() + 1e9
        self.world.advance(self.clock.monotonic())
        head.power = 1.0
        self.clock.sleep(seconds)
        head.power = 0.0


def added(bench, act):
    """Return what an act adds to the vessel, mL."""
    before = bench.world.volume_ml()
    act()
    return bench.world.volume_ml() - before


# Pumps and their supply -----------------------------------------------------------------


def test_a_pump_whose_direction_wire_is_dead_turns_forward_when_it_is_told_to_turn_back():
    bench = Bench()
    back = added(bench, lambda: bench.step("sample", 17, reverse=True))
    bench.world.line_air_ml = 0.0
    end = bench.strike("direction-wire-dead")
    dead = added(bench, lambda: bench.step("sample", 17, reverse=True))
    end()
    bench.world.line_air_ml = 0.0
    mended = added(bench, lambda: bench.step("sample", 17, reverse=True))

    assert back == mended == 0.0
    assert dead == pytest.approx(1.0, rel=0.02)


@pytest.mark.parametrize("share", [0.05, 0.4])
def test_steps_that_are_lost_move_nothing_and_are_counted_all_the_same(share):
    bench = Bench()
    whole = added(bench, lambda: bench.step("sample", 17))
    sent = bench.play.wires.pulses.sent(17)[0]
    bench.strike("steps-lost", size=share)
    less = added(bench, lambda: bench.step("sample", 17))

    assert less / whole == pytest.approx(1.0 - share, rel=0.01)
    assert bench.play.wires.pulses.sent(17)[0] == 2 * sent


def test_a_pump_without_steps_loses_none():
    bench = Bench()
    bench.strike("steps-lost", size=0.5)

    assert bench.world.pumps["waste"].passes == 1.0
    assert bench.world.pumps["titrant"].passes == 0.5


def test_in_a_brown_out_every_drive_is_weak_while_it_counts():
    bench = Bench()
    bench.holds(100.0)
    whole = added(bench, lambda: bench.power("waste", 5.0))
    end = bench.strike("brown-out", size=0.3)
    weak = added(bench, lambda: bench.power("waste", 5.0))
    by_steps = added(bench, lambda: bench.step("sample", 17))
    end()

    assert weak / whole == pytest.approx(0.3, rel=0.05)
    assert by_steps == pytest.approx(0.3, rel=0.02)
    assert all(head.passes == pytest.approx(1.0) for head in bench.world.pumps.values())


@pytest.mark.parametrize("share", [0.0, 1.0])
def test_a_brown_out_of_everything_or_of_nothing_ends_as_well(share):
    bench = Bench()
    bench.strike("brown-out", size=share)()

    assert all(head.passes == 1.0 for head in bench.world.pumps.values())


@pytest.mark.parametrize(("stalls_s", "moved_s"), [(0.2, 6.0), (2.0, 4.5), (6.0, 4.5)])
def test_while_the_control_thread_stands_a_permit_lapses_and_a_timed_drive_goes_on(stalls_s, moved_s):
    """Permits are kicked every 0.1 s for 4 s, then nobody does; the drive has its power for 6 s."""
    bench = Bench(TIMED_SAMPLE)
    head, clock = bench.world.pumps["sample"], bench.clock
    bench.world.line_air_ml = 0.0
    before = bench.world.volume_ml()
    head.power = 1.0
    clock.call_later(6.0, lambda: setattr(head, "power", 0.0))
    clock.call_later(3.95, lambda: bench.strike("control-stall", size=stalls_s))
    while clock.monotonic() < 6.0:
        head.permitted_until_s = clock.monotonic() + head.lapse_s
        clock.sleep(0.1)
    bench.world.advance(clock.monotonic())

    if stalls_s == 2.0:  # kicked again at 5.95 s, for the last of the 6 s
        moved_s += 0.05
    assert bench.world.volume_ml() - before == pytest.approx(moved_s * 1.6667, abs=0.2)


# Liquids --------------------------------------------------------------------------------


def test_a_sample_tube_that_is_off_gives_its_water_to_the_floor_and_no_float_sees_it():
    bench = Bench()
    before = bench.world.tank.salinity
    bench.strike("tube-off")
    gained = added(bench, lambda: bench.step("sample", 17, 16_000))

    assert gained == 0.0
    assert bench.world.spilled.beside_ml == pytest.approx(10.0, rel=0.02)
    assert bench.play.truth()["spilled_ml"] == 0.0
    assert not bench.world.switch("leak")
    assert bench.world.tank.salinity < before  # the tank lost it


def test_titrant_and_waste_run_beside_as_well():
    bench = Bench()
    bench.holds(100.0)
    bottle, alkalinity = bench.world.bottle_ml, bench.world.vessel.alkalinity
    bench.strike("tube-off", pump="titrant")
    bench.strike("tube-off", pump="waste")
    bench.step("titrant", 23, 16_000)
    assert bench.world.vessel.alkalinity == alkalinity  # no acid in it
    given = bench.world.spilled.beside_ml
    bench.power("waste", 5.0)

    assert bottle - bench.world.bottle_ml == pytest.approx(given) == pytest.approx(1.0, rel=0.02)
    assert bench.world.spilled.beside_ml - given == pytest.approx(10.0, rel=0.1)
    assert bench.world.waste_ml == 0.0


HIGH_TANK = {"pumps.sample.line.inlet_mm": 150.0}


def test_a_worn_sample_head_below_the_tanks_surface_floods_the_vessel():
    """Half a millilitre a minute from 61.5 mL: over the spout at 150 mL after three hours."""
    bench = Bench(HIGH_TANK)
    bench.world.line_air_ml = 1.0  # a slug of air is no break
    bench.strike("head-leak")
    for _ in range(40):
        bench.clock.sleep(360.0)

    assert bench.world.volume_ml() == pytest.approx(150.0)
    assert bench.play.truth()["spilled_ml"] == pytest.approx(61.5 - 1.0 + 120.0 - 150.0, abs=1.0)


def test_with_a_break_or_a_closed_valve_nothing_runs():
    bench = Bench(HIGH_TANK)
    broken = {**bench.play.bench, "pumps": {**bench.play.bench["pumps"]}}
    sample = broken["pumps"]["sample"]
    for change in ({"line": {**sample["line"], "vented_break_mm": 200.0}}, {"valve": {"driver": "any"}}):
        bench.world.bench = {**broken, "pumps": {**broken["pumps"], "sample": {**sample, **change}}}
        bench.strike("head-leak")
        assert added(bench, lambda: bench.clock.sleep(3600.0)) == 0.0
    bench.world.pumps["sample"].permit_stuck = True  # the valve is open
    assert added(bench, lambda: bench.clock.sleep(60.0)) == pytest.approx(0.5, abs=0.01)


def test_a_worn_sample_head_above_the_tanks_surface_empties_its_line():
    """The next fill begins with air: 7.2 mL of a line of 3.2 mm and 900 mm."""
    bench = Bench()
    bench.strike("head-leak")
    gained = added(bench, lambda: bench.clock.sleep(3600.0))

    assert gained == 0.0
    assert bench.world.line_air_ml == pytest.approx(7.238, abs=0.01)
    assert added(bench, lambda: bench.step("sample", 17, 16_000)) == pytest.approx(10.0 - 7.238, abs=0.1)


def test_a_worn_titrant_head_sucks_sea_water_into_the_acid():
    """The bottle lies lower than the tip, and the tip below the surface: it runs until the tip is in air."""
    bench = Bench()
    strength, bottle = bench.world.titrant_umol_ml, bench.world.bottle_ml
    bench.holds(100.0)
    held_umol = bench.world.vessel.alkalinity / 1000.0
    bench.strike("head-leak", pump="titrant")
    bench.clock.sleep(60.0)
    moved = 100.0 - bench.world.volume_ml()

    assert moved == pytest.approx(0.5, abs=0.01)
    assert bench.world.bottle_ml == pytest.approx(bottle + moved)
    expected = (strength * bottle - moved * held_umol / 100.0) / (bottle + moved)
    assert bench.world.titrant_umol_ml == pytest.approx(expected, rel=1e-6)
    for _ in range(600):
        bench.clock.sleep(60.0)
    assert bench.world.volume_ml() == pytest.approx(54.0, abs=0.6)  # 27 mm of 20 cm2
    assert bench.world.titrant_line_air_ml == pytest.approx(bench.world.titrant_line_ml)


def test_titrant_from_a_bottle_that_stands_higher_runs_into_the_vessel():
    bench = Bench(bottle_surface_mm=200.0)
    bench.strike("head-leak", pump="titrant")

    assert added(bench, lambda: bench.clock.sleep(600.0)) == pytest.approx(5.0, abs=0.05)
    assert bench.play.truth()["max_titrant_in_one_run_ml"] == pytest.approx(5.0, abs=0.05)


def test_a_worn_waste_head_drains_down_to_the_height_of_its_lines_end():
    bench = Bench()
    bench.holds(100.0)
    bench.strike("head-leak", pump="waste")
    for _ in range(300):
        bench.clock.sleep(60.0)

    assert bench.world.volume_ml() == pytest.approx(80.0, abs=0.6)  # 40 mm of 20 cm2
    assert bench.world.waste_ml == pytest.approx(20.0, abs=0.6)


def test_a_siphon_through_an_open_head_flows_as_hagen_poiseuille_has_it():
    """0.8 mm, 900 mm, and 150 mm of fall: 0.5 mL/min by hand, of which a tenth passes."""
    bench = Bench(bottle_surface_mm=-100.0)
    bench.holds(100.0)  # 50 mm
    bench.strike("siphon-through-head")
    lost = -added(bench, lambda: bench.clock.sleep(600.0))
    by_hand_ml_min = 3.14159 * 1023 * 9.81 * 0.150 * 0.0004**4 / (8 * 0.96e-3 * 0.9) * 1e6 * 60

    assert lost / 10.0 == pytest.approx(0.1 * by_hand_ml_min, rel=0.02)
    assert bench.world.titrant_umol_ml < 50.0 * bench.world.truths.titrant_strength


def test_a_siphon_ends_with_its_fault():
    bench = Bench()
    bench.holds(100.0)
    bench.strike("siphon-through-head", size=1.0)()

    assert added(bench, lambda: bench.clock.sleep(3600.0)) == 0.0


# Probes, switches and boards --------------------------------------------------------------


def test_a_film_on_the_cell_conducts_while_it_hangs_in_air():
    bench = Bench()
    bench.holds(3.0)
    dry = bench.world.conductivity()
    end = bench.strike("cell-film")
    film = bench.world.conductivity()
    bench.holds(100.0)
    wet = bench.world.conductivity()
    end()
    bench.holds(3.0)

    assert dry == 0.0 == bench.world.conductivity()
    assert film == pytest.approx(0.6 * wet, rel=0.05)


def test_a_float_that_is_stuck_wet_closes_its_contact_with_an_empty_vessel():
    bench = Bench()
    bench.holds(3.0)
    end = bench.strike("float-stuck-wet")
    assert bench.world.switch("overfill")
    end()
    assert not bench.world.switch("overfill")


def test_a_ground_loop_shifts_the_signal_while_a_motor_has_current_and_not_else():
    bench = Bench(electrode_noise_mv=0.0)
    still = bench.world.ph_signal_mv()
    bench.strike("ground-loop", size=7.0)
    quiet = bench.world.ph_signal_mv()
    bench.world.stirrer_power = 0.3
    stirred = bench.world.ph_signal_mv()
    bench.world.stirrer_power = 0.0
    head = bench.world.pumps["waste"]
    head.power = 1.0
    without_permit = bench.world.ph_signal_mv()
    head.permitted_until_s = bench.clock.monotonic() + 1.0
    pumped = bench.world.ph_signal_mv()

    assert quiet == still == without_permit
    assert stirred - still == pytest.approx(7.0)
    assert pumped - still == pytest.approx(7.0)


def answers(clock, port, seconds):
    """Return what comes over a port in so many seconds."""
    got = b""
    for _ in range(round(seconds / 0.1)):
        clock.sleep(0.1)
        got += port.read(port.in_waiting)
    return got


def test_boards_that_start_anew_forget_what_they_were_asked_and_say_a_line_of_their_own():
    bench = Bench()
    port = bench.play.boards.open("twin://temperature")
    port.write(b"R\r")
    assert len(answers(bench.clock, port, 1.0)) > 4
    port.write(b"R\r")
    bench.strike("board-reboot", size=3.0)
    port.write(b"R\r")
    deaf = answers(bench.clock, port, 2.5)
    first = answers(bench.clock, port, 1.0)
    port.write(b"R\r")

    assert deaf == b""
    assert first == b"started 2.14\r"
    assert float(answers(bench.clock, port, 1.0)) == pytest.approx(24.5, abs=1.0)


# The card -------------------------------------------------------------------------------


class Slow:
    """A store that only writes."""

    def __init__(self):
        self.written = []

    @contextmanager
    def writing(self, what):
        self.written.append(what)
        yield None


@pytest.mark.parametrize(("lasting", "took"), [(False, [5.0, 0.0]), (True, [5.0, 5.0])])
def test_a_card_that_stalls_lets_a_write_wait(lasting, took):
    clock, store = VirtualClock(), Slow()
    end = simulated_card.stall(store, clock, None, lasting=lasting)
    for seconds in took:
        before = clock.monotonic()
        with store.writing("one"):
            pass
        assert clock.monotonic() - before == seconds
    end()
    with store.writing("last"):
        pass

    assert clock.monotonic() == sum(took)
    assert len(store.written) == 3


def stage_of(tmp_path, *faults, days=0.1):
    scenario = Scenario.model_validate({"seed": 7, "days": days, "fault": list(faults)})
    return Stage(scenario, bench_of(scenario, tmp_path), str(tmp_path / "records.sqlite"))


def test_a_stalled_card_holds_up_the_service_and_not_the_world(tmp_path):
    stage = stage_of(tmp_path, {"kind": "sd-stall", "at_phase": "titrate", "determination": 1, "size": 20.0})
    stage.play_until(0.05 * 86400.0)
    struck = [d.finished_s - d.started_s for d in stage.log.outcomes]
    stage.close()
    stage = stage_of(tmp_path / "..", days=0.1)
    stage.play_until(0.05 * 86400.0)
    plain = [d.finished_s - d.started_s for d in stage.log.outcomes]
    stage.close()

    assert struck[0] > plain[0] + 10.0


def test_one_byte_of_one_stored_value_is_changed_in_the_file(tmp_path):
    stage = stage_of(tmp_path)
    stage.play_until(0.05 * 86400.0)
    path = tmp_path / "records.sqlite"

    def read():
        with closing(sqlite3.connect(path)) as connection:
            return connection.execute(
                "SELECT curve, source, alkalinity_umol_kg FROM determination ORDER BY id DESC"
            ).fetchone()

    before = read()
    for column in ("curve", "source", "alkalinity_umol_kg"):
        simulated_card.damage(path, "determination", column)
    after = read()
    stage.close()

    assert len(before[0]) == len(after[0])
    assert sum(a != b for a, b in zip(before[0], after[0], strict=True)) == 1
    assert before[1] != after[1]
    assert 0.0 < abs(before[2] - after[2]) < 0.05 * before[2]


def test_damage_strikes_at_its_time_through_the_scenario(tmp_path):
    stage = stage_of(tmp_path, {"kind": "record-damaged", "at_h": 2.0, "table": "alert", "column": "text"}, days=0.12)
    with closing(sqlite3.connect(tmp_path / "records.sqlite")) as connection:
        stage.play_until(1.9 * 3600.0)
        before = connection.execute("SELECT text FROM alert ORDER BY id DESC").fetchone()
        stage.play_until(2.1 * 3600.0)
        after = connection.execute("SELECT CAST(text AS BLOB) FROM alert ORDER BY id DESC").fetchone()
    stage.close()

    assert before is not None
    assert after[0] != before[0].encode()


# What is refused ------------------------------------------------------------------------


@pytest.mark.parametrize(
    "wrong",
    [
        {"kind": "steps-lost", "size": 1.5},
        {"kind": "brown-out", "size": -0.1},
        {"kind": "control-stall", "size": 31.0},
        {"kind": "tube-off", "pump": "stirrer"},
        {"kind": "leak", "table": "alert"},
        {"kind": "record-damaged", "table": "alert; DROP TABLE alert"},
        {"kind": "record-damaged", "column": "x" * 50},
        {"kind": "direction-wire-broken"},
    ],
)
def test_a_fault_that_cannot_be_is_refused(wrong):
    with pytest.raises(ValidationError):
        FaultTable(at_h=1.0, **wrong)


def test_a_record_that_does_not_exist_is_refused_with_those_that_do(tmp_path):
    path = tmp_path / "scenario.toml"
    path.write_text(
        'seed = 1\ndays = 1.0\n[[fault]]\nkind = "record-damaged"\nat_h = 1.0\ntable = "alert"\ncolumn = "txt"\n'
    )
    with pytest.raises(StartupError, match=r"no column txt in a table alert"):
        load_scenario(path)
