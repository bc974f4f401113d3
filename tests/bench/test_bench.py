"""The bench moves liquid only within its promise, its interlocks and its proofs. On the twin, through real drivers."""

import threading
from dataclasses import replace

import pytest

from saltern.bench.bench import Bench, StopRequested
from saltern.errors import InterlockError, SalternError, StartupError, StorageError
from saltern.model.verdict import Reason
from saltern.ports import DeviceUnavailableError, MisuseError
from tests.twin_bench import MemoryStore, TwinBench


@pytest.fixture
def twin():
    made = TwinBench()
    assert made.bench.drain().proved
    return made


def nothing_moves(twin):
    before = twin.world.volume_ml()
    twin.clock.sleep(5.0)
    return not any(head.moving() for head in twin.world.pumps.values()) and twin.world.volume_ml() == before


def test_a_fill_is_what_was_asked_within_its_interval(twin):
    start_ml = twin.world.volume_ml()
    with twin.bench.stage("fill", sample_ml=100.0):
        moved = twin.bench.add("sample", 100.0)

    assert moved.low - 7.3 <= twin.world.volume_ml() - start_ml <= moved.high
    assert twin.world.volume_ml() <= twin.bench.ledger.vessel_ml.high


def test_more_than_a_stage_promised_is_refused(twin):
    with pytest.raises(MisuseError, match="more than"), twin.bench.stage("fill", sample_ml=10.0):
        twin.bench.add("sample", 10.1)
    with pytest.raises(MisuseError):
        twin.bench.add("titrant", 0.1)

    assert nothing_moves(twin)


def test_a_stage_that_might_not_fit_is_refused_before_anything_moves(twin):
    with twin.bench.stage("fill", sample_ml=100.0):
        twin.bench.add("sample", 100.0)

    with pytest.raises(InterlockError) as caught, twin.bench.stage("fill again", sample_ml=100.0):
        twin.bench.add("sample", 100.0)

    assert caught.value.interlock == "volume-bound"
    assert nothing_moves(twin)


def test_a_bench_that_starts_knows_nothing_and_adds_nothing():
    twin = TwinBench()

    with pytest.raises(InterlockError, match="may hold 150 mL"), twin.bench.stage("fill", sample_ml=20.0):
        twin.bench.add("sample", 20.0)


def test_the_whole_promise_is_committed_before_a_pump_turns(twin):
    seen = []
    twin.world.on_add = lambda: seen.append((twin.store.ledger.stage, twin.store.ledger.vessel_ml.high))
    with twin.bench.stage("fill", sample_ml=60.0):
        twin.bench.add("sample", 50.0)

    (stage, committed_ml) = seen[0]
    assert stage == "fill"
    assert committed_ml >= twin.world.volume_ml() + 10.0


def test_after_an_unclean_stop_the_vessel_must_be_proved_empty_first(twin):
    with twin.bench.stage("fill", sample_ml=60.0):
        twin.bench.add("sample", 30.0)
        as_left = MemoryStore(ledger=twin.store.ledger)  # the power goes now

    again = Bench(twin.config, twin.devices, twin.clock, as_left)

    assert again.found.startswith("an unclean stop during fill")
    assert again.ledger.vessel_ml.high < twin.config.vessel.capacity_ml
    with pytest.raises(InterlockError, match="not proved"), again.stage("fill", sample_ml=20.0):
        again.add("sample", 20.0)
    assert again.drain().proved
    with again.stage("fill", sample_ml=20.0):
        again.add("sample", 20.0)


@pytest.mark.parametrize("fault", ["waste-pump-stalled", "waste-line-blocked"])
def test_a_drain_that_moves_nothing_proves_nothing(fault):
    twin = TwinBench(fault=[{"kind": fault, "at_h": 0.0}])
    drained = twin.bench.drain()

    assert not drained.proved
    assert drained.wet_seen
    assert twin.bench.ledger.vessel_ml.high == twin.config.vessel.capacity_ml


def test_a_dry_reading_without_a_wet_one_before_proves_nothing():
    twin = TwinBench(fault=[{"kind": "conductivity-disconnected", "at_h": 0.0}])

    drained = twin.bench.drain()

    assert not drained.proved
    assert not drained.wet_seen


@pytest.mark.parametrize(
    ("attribute", "interlock"), [("leak_wet", "leak"), ("overfill_broken", "overfill"), ("stop_pressed", "stop")]
)
def test_a_switch_stops_a_fill_within_a_quarter_second_and_latches(twin, attribute, interlock):
    twin.clock.call_later(3.0, lambda: twin.happens(attribute))
    with pytest.raises(InterlockError) as caught, twin.bench.stage("fill", sample_ml=100.0):
        twin.bench.add("sample", 100.0)

    assert caught.value.interlock == interlock
    assert twin.play.truth()["max_moving_s_after_trip"] <= 0.25
    assert twin.store.latches == [] or twin.store.latches == [interlock]
    twin.bench.guard.save()
    assert twin.store.latches == [interlock]
    assert nothing_moves(twin)

    twin.happens(attribute, False)
    twin.clock.sleep(1.0)
    twin.bench.guard.scan()
    with pytest.raises(InterlockError):  # still latched
        twin.bench.guard.demand("sample")
    again = Bench(twin.config, twin.devices, twin.clock, twin.store)  # across a restart
    with pytest.raises(InterlockError):
        again.guard.demand("sample")
    again.guard.reset("keeper")
    assert twin.store.latches == []
    again.guard.demand("sample")


def test_a_trip_is_not_reset_while_its_cause_lasts(twin):
    twin.happens("leak_wet")
    twin.clock.sleep(1.0)
    twin.bench.guard.scan()

    with pytest.raises(InterlockError, match="still says"):
        twin.bench.guard.reset("keeper")
    assert {row.name for row in twin.bench.guard.acting} == {"leak"}


def test_under_a_latched_overfill_the_vessel_can_be_emptied_and_nothing_added(twin):
    with twin.bench.stage("fill", sample_ml=50.0):
        twin.bench.add("sample", 50.0)
    twin.happens("overfill_broken")
    twin.clock.sleep(1.0)
    twin.bench.guard.scan()

    assert twin.bench.drain().proved
    with pytest.raises(InterlockError):
        twin.bench.guard.demand("titrant")
    with pytest.raises(InterlockError):
        twin.bench.guard.demand("sample")


def test_a_hung_control_thread_loses_its_pumps(twin):
    """Nobody scans any more: the drive ends with its chunks, the permit with its lapse."""
    permit, drive = twin.devices.permits["waste"], twin.devices.pumps["waste"]
    with twin.bench.stage("fill", sample_ml=60.0):
        twin.bench.add("sample", 60.0)
    permit.kick()
    drive.start(60.0)
    before = twin.world.volume_ml()

    twin.clock.sleep(50.0)

    assert before - twin.world.volume_ml() <= 2.0 * 1.1 * (permit.lapse_s + 0.1)


def test_a_permit_is_kicked_only_by_a_scan_that_passed(twin):
    head = twin.world.pumps["sample"]
    twin.bench.guard.scan(("sample",))
    assert head.permitted_until_s > twin.clock.monotonic()
    twin.happens("leak_wet")
    twin.clock.sleep(1.0)
    until_s = head.permitted_until_s
    for _ in range(20):
        twin.bench.guard.scan(("sample",))
        twin.clock.sleep(0.1)

    assert head.permitted_until_s == until_s


def test_an_edge_from_a_foreign_thread_stops_a_pump_at_once(twin):
    twin.clock.call_later(
        2.0, lambda: [t.start() or t.join() for t in [threading.Thread(target=twin.bench.guard.edge, args=("leak",))]]
    )
    with pytest.raises(InterlockError) as caught, twin.bench.stage("fill", sample_ml=100.0):
        twin.bench.add("sample", 100.0)

    assert caught.value.interlock == "leak"
    assert nothing_moves(twin)


@pytest.mark.parametrize("pump", ["sample", "waste", "titrant"])
def test_a_shorted_drive_is_found_before_a_sample_is_taken(pump):
    twin = TwinBench()
    twin.world.pumps[pump].runaway = True

    d = twin.determine()

    assert d.alkalinity.reasons == (Reason.MOTION_FAULT,) or Reason.NOT_EMPTY in d.alkalinity.reasons
    assert any("shorted" in remark or "not proved" in remark for remark in d.remarks)
    assert twin.play.truth()["spilled_ml"] == 0.0


def test_a_sound_bench_proves_every_permit():
    twin = TwinBench()
    twin.determine()

    assert {f"permit of {role} proved" for role in ("sample", "waste", "titrant")} <= set(twin.store.reasons)


def test_a_cell_that_fails_in_mid_drain_proves_nothing(twin):
    """Dry much too early for what was pumped in: the probe went, not the water."""
    with twin.bench.stage("fill", sample_ml=90.0):
        twin.bench.add("sample", 90.0)
    twin.clock.call_later(8.0, lambda: twin.happens("conductivity_disconnected"))

    assert not twin.bench.drain().proved
    assert twin.world.volume_ml() <= twin.bench.ledger.vessel_ml.high


def test_a_stop_ends_a_wait_and_a_motion(twin):
    twin.clock.call_later(1.0, twin.bench.request_stop)
    with pytest.raises(StopRequested), twin.bench.stage("fill", sample_ml=100.0):
        twin.bench.add("sample", 100.0)

    assert nothing_moves(twin)
    twin.bench.make_safe()
    twin.bench.make_safe()


def test_storage_that_fails_blocks_additions_and_clears_by_itself(twin):
    def fail():
        raise StorageError("the disk is full", where="records", remedy="Make room")

    twin.store.on_commit = fail
    with pytest.raises(StorageError), twin.bench.stage("fill", sample_ml=20.0):
        twin.bench.add("sample", 20.0)
    with pytest.raises(InterlockError) as caught:
        twin.bench.guard.demand("sample")
    assert caught.value.interlock == "storage"
    assert nothing_moves(twin)

    twin.store.on_commit = None
    with twin.bench.stage("fill", sample_ml=20.0):
        twin.bench.add("sample", 20.0)


def test_a_line_that_could_dip_into_the_vessel_is_never_drawn_back(monkeypatch):
    monkeypatch.setattr("saltern.bench.devices.refusals", lambda config: [])  # start-up refuses it too
    twin = TwinBench(true={"pumps.sample.line.outlet_mm": 60.0})

    with pytest.raises(MisuseError, match="air gap"):
        twin.bench.draw_back("sample", 1.0)


def test_every_fault_of_a_bench_file_comes_in_one_tree():
    stated = {
        "pumps.waste.drive.pin": 17,
        "probes.ph.board.pattern": "(",
        "stirrer.drive.driver": "gpio-switch",
        "switches.leak.driver": "no-such-driver",
        "probes.temperature.board.port": "twin://conductivity",
    }
    with pytest.raises(StartupError) as caught:
        TwinBench(stated=stated)

    text = str(caught.value)
    assert len(caught.value.causes) == 5
    assert "gpio:17 is used twice: by pumps.sample.drive and by pumps.waste.drive" in text
    assert "serial:twin://conductivity is used twice" in text
    assert "is not a regular expression" in text
    assert "is for a switch, and this is a stirrer" in text
    assert "there is no driver 'no-such-driver'" in text


def test_a_device_that_does_not_open_is_named_with_all_others():
    stated = {"probes.ph.board.port": "twin://none", "probes.conductivity.board.port": "twin://nothing"}
    with pytest.raises(StartupError) as caught:
        TwinBench(stated=stated)

    assert len(caught.value.causes) == 2
    assert "twin://none" in str(caught.value)
    assert "twin://nothing" in str(caught.value)


def test_a_bottle_that_the_ledger_calls_empty_gives_no_titrant(twin):
    empty = replace(twin.bench.ledger, titrant_left_ml=twin.bench.ledger.titrant_left_ml.minus(1e6, 1e6))
    twin.bench.note(empty, "test")

    with pytest.raises(InterlockError) as caught:
        twin.bench.guard.demand("titrant")
    assert caught.value.interlock == "titrant-empty"
    twin.bench.guard.demand("sample")


def test_the_vessel_can_be_emptied_though_the_disk_is_full(twin):
    def fail():
        raise StorageError("the disk is full", where="records", remedy="Make room")

    with twin.bench.stage("fill", sample_ml=90.0):
        twin.bench.add("sample", 90.0)
    twin.store.on_commit = fail

    assert twin.bench.drain().proved
    with pytest.raises(InterlockError):
        twin.bench.guard.demand("sample")


def test_a_drain_that_is_cut_short_counts_as_waste_what_may_have_left(twin):
    with twin.bench.stage("fill", sample_ml=90.0):
        twin.bench.add("sample", 90.0)
    before = twin.bench.ledger.waste_ml.high
    twin.clock.call_later(15.0, lambda: twin.happens("leak_wet"))
    with pytest.raises(InterlockError):
        twin.bench.drain()

    assert twin.bench.ledger.waste_ml.high >= before + 20.0
    assert twin.world.waste_ml <= twin.bench.ledger.waste_ml.high


def test_before_a_drain_its_whole_volume_is_committed_as_waste(twin):
    with twin.bench.stage("fill", sample_ml=90.0):
        twin.bench.add("sample", 90.0)
    committed = []
    twin.store.on_commit = lambda: committed.append(twin.store.ledger)
    before = twin.store.ledger
    twin.bench.drain()

    assert committed[0] is before
    assert committed[1].stage == "drain"
    assert committed[1].waste_ml.high >= before.waste_ml.high + 90.0


def test_one_drive_that_fails_to_halt_does_not_keep_the_others_running(twin):
    def broken():
        raise OSError("gpio")

    twin.devices.permits["waste"].kick()
    twin.devices.pumps["waste"].start(20.0)
    twin.bench.stir(0.5)
    twin.devices.pumps["sample"].halt = broken

    with pytest.raises(OSError, match="gpio"):
        twin.bench.make_safe()

    assert not twin.world.pumps["waste"].moving()
    assert twin.world.stirrer == 0.0


@pytest.mark.parametrize("device", ["drive", "permit"])
@pytest.mark.parametrize("ends", ["by an interlock", "by itself"])
def test_what_moved_is_booked_and_the_other_let_go_though_a_device_is_gone_at_the_end_of_a_motion(twin, device, ends):
    drive, permit = twin.devices.pumps["sample"], twin.devices.permits["sample"]
    gone = drive if device == "drive" else permit
    doing = "halt" if device == "drive" else "drop"

    def fail():
        type(gone).__dict__[doing](gone)  # it acts, and its answer is lost
        raise DeviceUnavailableError("the port failed", where="sample", remedy="Check the cable")

    setattr(gone, doing, fail)
    if ends == "by an interlock":
        twin.clock.call_later(8.0, lambda: twin.happens("leak_wet"))
    with pytest.raises(SalternError), twin.bench.stage("fill", sample_ml=60.0):
        twin.bench.add("sample", 60.0)
    delattr(gone, doing)

    assert nothing_moves(twin)
    assert 14.0 < twin.world.volume_ml() <= twin.bench.ledger.vessel_ml.high


def test_what_moved_is_booked_though_the_drive_says_nothing_more_of_it(twin):
    """A count that cannot be read is not none: what the permit let through may be in the vessel."""
    drive = twin.devices.pumps["sample"]
    counts = type(drive).progress
    dies_s = twin.clock.monotonic() + 10.0

    def count():
        if twin.clock.monotonic() > dies_s:
            raise DeviceUnavailableError("the port failed", where="sample", remedy="Check the cable")
        return counts(drive)

    drive.progress = count
    with pytest.raises(DeviceUnavailableError), twin.bench.stage("fill", sample_ml=60.0):
        twin.bench.add("sample", 60.0)
    del drive.progress

    assert nothing_moves(twin)
    assert 14.0 < twin.world.volume_ml() <= twin.bench.ledger.vessel_ml.high


def test_hours_and_litres_of_a_motion_that_was_cut_short_count_as_wear(twin):
    used = twin.bench.turned["sample"].running_s if "sample" in twin.bench.turned else 0.0
    twin.clock.call_later(5.0, twin.bench.request_stop)
    begun_s = twin.clock.monotonic()
    with pytest.raises(StopRequested), twin.bench.stage("fill", sample_ml=60.0):
        twin.bench.add("sample", 60.0)

    assert twin.bench.turned["sample"].running_s - used == pytest.approx(twin.clock.monotonic() - begun_s, abs=0.5)


def test_a_device_that_fails_to_close_keeps_no_output_high(twin):
    twin.devices.permits["waste"].kick()
    twin.bench.stir(0.5)

    def broken():
        raise OSError("gone")

    twin.devices.pumps["sample"].close = broken
    with pytest.raises(OSError, match="gone"):
        twin.devices.close()

    assert all(not pin.state for pin in twin.play.wires.pins.pins.values() if pin.function == "output")
