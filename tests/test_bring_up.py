"""The first day at a new bench: twelve steps with simulated hands, right and wrong, up to the first accepted result."""

import tomllib
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from saltern.bench.gate import HANDS
from saltern.cli.bring_up import checklist_lines
from saltern.cli.present_live import status_lines
from saltern.cli.simulated_computer import ProcessDeath
from saltern.clock import RealClock
from saltern.config.loading import load_bench, with_values
from saltern.config.paths import records_path
from saltern.config.questions import QUESTIONS
from saltern.errors import InterlockError
from saltern.model.calibration import Calibration, Cause, Kind, RefusedError
from saltern.model.verdict import Reason
from saltern.procedures.bring_up.steps import AFTERWARDS, STEPS
from saltern.records import calibrations
from saltern.records.opening import open_store
from saltern.records.upkeep import proved, state
from saltern.rpc.replies import Status
from saltern.running.bring_up_computer import amiss_with_computer
from saltern.running.bringing_up import OutOfOrderError, checklist
from saltern.running.commissioning import commissioned
from saltern.running.remote_reads import Reads
from saltern_drivers.twin.hands import MISTAKES
from tests.cli.command import run as command
from tests.keeper import keeper
from tests.test_guided import reference

HOUR_S = 3600.0
NEW = {"twin": {"calibrated": False, "instruments": "hobby", "commissioned": False}, "schedule": {"every_h": 4.0}}
STANDARD = {"alkalinity_umol_kg": 2200.0, "u_umol_kg": 1.5, "lot": "bucket 3"}
CALIBRATIONS = (
    ("calibrate-temperature", {}),
    ("calibrate-conductivity", {"standards": ("35", "28")}),
    ("calibrate-ph", {"buffers": ("phthalate", "phosphate")}),
    ("calibrate-pump", {"pump": "sample", "new_tube": True}),
    ("calibrate-pump", {"pump": "waste"}),
    ("calibrate-pump", {"pump": "titrant", "new_tube": True}),
    ("standardise", STANDARD),
)


def new_bench(folder, seed=11, **known):
    return keeper(seed=seed, records=str(folder / "records.sqlite"), scenario=NEW, reference=reference(), **known)


@pytest.fixture
def hands(tmp_path):
    """Hands at a bench that nobody has tried yet."""
    found = new_bench(tmp_path)
    yield found
    found.stage.close()


def names(hands):
    """Return the steps that are on record."""
    items = checklist(hands.service.store, hands.service.config).items
    return [item.name for item in items if item.passed_utc is not None]


def kill_while_it_fills(hands):
    """Let a second terminal kill the service some seconds after the question, then let systemd start it again."""

    def dies():
        hands.stage.computer.lose(powered=True)
        raise ProcessDeath

    def at(key):
        if key == "kill-ready":
            hands.stage.clock.call_later(12.0, dies)

    hands.at_key = at
    with pytest.raises(ProcessDeath):
        hands.run("bring-up")
    hands.at_key = None
    hands.stage.computer.start_again()


def go_through(hands, until="acid"):
    for step in STEPS:
        if step.name == "kill":
            kill_while_it_fills(hands)
        hands.run("bring-up")
        if step.name == until:
            return


# The whole of it -----------------------------------------------------------------------------


@dataclass
class Day:
    """What a first day came to."""

    hands: object
    questions: list = field(default_factory=list)  # what, how many, minutes
    bench_file: object = None


@pytest.fixture(scope="module")
def day(tmp_path_factory):
    """From the questions of `init` to the first scheduled result, in one run."""
    folder = tmp_path_factory.mktemp("first-day")
    file = folder / "bench.toml"
    assert command("init", file, "--from", "simulated", "--usual")[0] == 0
    code, said, _ = command("check", file)
    assert (code, "well formed" in said) == (0, True)

    hands = new_bench(folder, bench=load_bench(file))
    found = Day(hands, [("init", len(QUESTIONS), 0.0)], file)
    hands.stage.play_until(0.5 * HOUR_S)  # the schedule is due, and a new bench is held
    assert hands.service.start_rules.decision().start
    assert hands.service.store.results(5) == []

    def take(what, act):
        asked, at_s = len(hands.asked), hands.stage.clock.monotonic()
        act()
        found.questions.append((what, len(hands.asked) - asked, (hands.stage.clock.monotonic() - at_s) / 60.0))

    for step in STEPS:
        if step.name == "kill":
            take("kill, killed", lambda: kill_while_it_fills(hands))
        take(step.name, lambda: hands.run("bring-up"))
    for name, options in CALIBRATIONS:
        take(" ".join((name, options.get("pump", ""))).strip(), lambda n=name, o=options: hands.run(n, **o))
    before = len(hands.service.store.results(50))

    def wait():
        while len(hands.service.store.results(50)) == before:
            hands.stage.play_until(hands.stage.clock.monotonic() + 600.0)

    take("first scheduled result", wait)
    yield found
    hands.stage.close()


def test_the_first_result_of_a_new_bench_that_a_second_one_confirms_is_true(day, capsys):
    service = day.hands.service
    before, first = (d for _, d in reversed(service.store.results(5)) if d.source.value == "tank")
    truth = day.hands.stage.play.tank_alkalinity(first.ph_read_s)

    assert before.alkalinity.reasons == (Reason.FIRST,)
    assert first.alkalinity.verdict.value == "accepted"
    assert abs(first.alkalinity.value - truth) < 3.0 * first.alkalinity.u  # one bench, drawn once
    questions, minutes = (sum(column) for column in list(zip(*day.questions, strict=True))[1:])
    page = (Path(__file__).parents[1] / "hardware" / "FIRST_DAY.md").read_text()
    assert f"takes {questions} questions and {minutes // 60:.0f} h {minutes % 60:.0f} min" in page
    assert (
        f"{first.alkalinity.value:.0f} ± {2 * first.alkalinity.u:.0f} umol/kg (k = 2), the truth being {truth:.0f}"
        in page
    )
    with capsys.disabled():
        for what, count, minutes in day.questions:
            print(f"{what:28}{count:4} questions {minutes:7.1f} min")
        print(
            f"{'all':28}{sum(q for _, q, _ in day.questions):4} questions {sum(m for *_, m in day.questions):7.1f} min"
        )
        print(f"first result {first.alkalinity.value:.0f} ± {2 * first.alkalinity.u:.0f}, truth {truth:.0f} umol/kg")


def test_nothing_was_spilled_and_no_acid_went_to_the_tank(day):
    spilled = day.hands.world.spilled
    assert spilled.spilled_ml == 0.0
    assert spilled.titrant_to_tank_ml == 0.0


def test_at_its_end_the_bench_is_commissioned_by_whoever_did_it(day):
    service = day.hands.service
    found = commissioned(service.store, service.config)
    assert found["who"] == "the keeper"
    assert "bring-up" in found["why"]
    assert checklist(service.store, service.config).next is None
    assert {"overfill", "leak", "stop", "waste-full"} <= set(proved(service.store))
    assert service.left_open() is None


def test_what_was_measured_counts_at_once_and_is_near_the_truth(day):
    config, world = day.hands.service.config.vessel, day.hands.world
    assert config.volume_at_ml(config.overfill_switch_mm) == pytest.approx(world.overfill_ml, rel=0.015)
    assert config.volume_at_ml(config.conductivity_tip_mm) == pytest.approx(world.cell_ml, abs=1.2)
    assert config.residue_ml == pytest.approx(world.real["residue_ml"], abs=0.4)
    assert config.area_cm2 != load_bench(day.bench_file).vessel.area_cm2


def test_a_permit_that_holds_longer_than_its_driver_states_counts_so_at_once(hands):
    """Longer still is refused. The ledger's bound is reckoned with it, so it is never below the truth."""
    go_through(hands, until="inputs")
    machine = hands.service.bench.machine
    stated_s = {role: permit.lapse_s for role, permit in machine.devices.permits.items()}
    for role, head in hands.world.pumps.items():
        head.lapse_s = 1.2 * stated_s[role]
    hands.run("bring-up")

    for role, head in hands.world.pumps.items():
        assert stated_s[role] < head.lapse_s <= machine.lapse_s(role) < head.lapse_s + 0.2


def test_a_reading_of_a_permit_never_shortens_what_its_driver_states(hands):
    """A one-shot is stated by the longest of its tolerance, and was read on one warm day."""
    go_through(hands, until="inputs")
    machine = hands.service.bench.machine
    for head in hands.world.pumps.values():
        head.lapse_s = 0.3
    hands.run("bring-up")

    for role, permit in machine.devices.permits.items():
        assert machine.lapse_s(role) == permit.lapse_s > 0.3


def test_a_permit_that_passes_more_than_fits_above_the_float_is_refused_when_it_is_measured(hands):
    go_through(hands, until="inputs")
    vessel = hands.service.config.vessel
    above_ml = vessel.capacity_ml - vessel.volume_at_ml(vessel.overfill_switch_mm)
    machine = hands.service.bench.machine
    stated_s = machine.devices.permits["sample"].lapse_s
    room_for_s = 1.1 * stated_s  # by what its driver states, it fits
    pumps = {"sample": {"ml_per_unit": above_ml / (room_for_s * machine.devices.pumps["sample"].rate)}}
    hands.service.bench.config = with_values(
        hands.service.config, {"pumps.sample.ml_per_unit": pumps["sample"]["ml_per_unit"]}, where="the test"
    )
    hands.world.pumps["sample"].lapse_s = 1.2 * stated_s

    with pytest.raises(RefusedError, match="while its permit lapses") as refused:
        hands.run("bring-up")
    assert refused.value.cause is Cause.LAPSE


def test_a_result_names_what_was_measured_among_its_calibrations_and_no_step_that_measured_nothing(day):
    newest = day.hands.service.store.results(1)[0][1]
    assert {name for name in newest.calibrations if name.startswith("bring-up")} == {
        "bring-up-permits",
        "bring-up-vessel",
    }


def test_the_merged_file_keeps_every_comment_and_says_what_was_measured(tmp_path, monkeypatch):
    file = tmp_path / "bench.toml"
    assert command("init", file, "--from", "simulated", "--usual")[0] == 0
    before, clock = file.read_text(), RealClock()
    store = open_store(records_path(load_bench(file), file), clock)
    measured = {"vessel.area_cm2": 19.43, "vessel.residue_ml": 1.61, "vessel.conductivity_tip_mm": 6.1}
    calibrations.keep(store, Calibration(Kind.BRING_UP_VESSEL, measured, "weighed"), "mara", clock.now(), {})
    store.close()

    monkeypatch.setattr("os.geteuid", lambda: 1000)
    code, printed, _ = command("bring-up", "--write", "--bench", file)
    assert code == 0
    assert file.read_text() == before
    lost = [line for line in before.splitlines() if line not in printed.splitlines()]
    assert {line.split(" = ")[0].strip() for line in lost} == {"area_cm2", "residue_ml", "conductivity_tip_mm"}
    assert tomllib.loads(printed)["vessel"]["area_cm2"] == 19.43
    assert "by mara: bring-up-vessel" in printed

    monkeypatch.setattr("os.geteuid", lambda: 0)
    monkeypatch.setattr("os.fchown", lambda *_: None)
    assert command("bring-up", "--write", "--bench", file)[0] == 0
    assert file.read_text() == printed
    assert [one.name for one in tmp_path.iterdir() if one.name.endswith(".new")] == []


# Mistakes of hands -----------------------------------------------------------------------------

CLUMSY = {
    "outputs": {
        "permit-not-wired": Cause.DARK,
        "drive-not-wired": Cause.DARK,
        "permit-never-lapses": Cause.DARK,
    },
    "inputs": {"plugs-swapped": Cause.WRONG_INPUT, "loose-plug": Cause.LOOSE},
    "permits": {"permit-lapses-late": Cause.LAPSE},
    "turning": {
        "motors-left-off": Cause.STANDS,
        "waste-reversed": Cause.REVERSED,
        "sample-reversed": Cause.REVERSED,
    },
    "water": {
        "waste-reversed-not-looked-at": Cause.REVERSED,
        "waste-reversed-container-full": Cause.REVERSED,
        "sample-reversed-not-looked-at": Cause.NO_FLOW,
        "titrant-reversed-not-looked-at": Cause.REVERSED,
        "water-not-salted": Cause.NOT_SEEN,
        "acid-too-early": Cause.ACID_TOO_EARLY,
        "sample-line-beside": Cause.NO_FLOW,
        "titrant-line-in-a-beaker": Cause.NO_FLOW,
    },
    "leaks": {"hose-drips": Cause.DRIPS},
    "floats": {
        "float-not-lifted": Cause.FLOAT,
        "second-float-not-wired": Cause.FLOAT,
        "stop-not-pressed": Cause.STOP,
    },
    "probes": {
        "ground-loop-of-the-stirrer": Cause.GROUND_LOOP,
        "ground-loop-of-a-pump": Cause.GROUND_LOOP,
        "ground-loop-of-the-probes": Cause.GROUND_LOOP,
        "wrong-buffer": Cause.WRONG_BUFFER,
    },
    "vessel": {"jug-not-tared": Cause.HEIGHTS},
    "acid": {"inlet-left-in-the-bucket": Cause.NOT_TANK_WATER, "acid-not-put-in": Cause.NO_ACID},
}
"""By step, what is done wrong in it, and the cause by which it is named."""


def wire(hands, mistake):
    """Let the world be wired as these hands would have wired it."""
    world = hands.world
    world.reversed_pumps = {mistake["reversed"]} if "reversed" in mistake else set()
    world.plugs_swapped = {}
    if "swapped" in mistake:
        one, other = mistake["swapped"]
        world.plugs_swapped = {one: other, other: one}
    for head in world.pumps.values():
        head.lapse_s = 0.5
    if "holds" in mistake:
        pump, world.pumps[mistake["holds"][0]].lapse_s = mistake["holds"]
        assert pump in world.pumps
    world.ground_loop_mv = mistake.get("ground_loop_mv", 0.0)
    world.pump_loop_mv = mistake.get("pump_loop_mv", 0.0)
    world.probe_loop_mv = mistake.get("probe_loop_mv", 0.0)
    world.motors_on = "motors-on" not in mistake


@contextmanager
def refused_in(name):
    """Expect a refusal, and say of which mistake there was none."""
    try:
        with pytest.raises(RefusedError) as refused:
            yield refused
    except pytest.fail.Exception:
        pytest.fail(f"{name} was not noticed")


def tidy(hands):
    """Put everything where it belongs after a step that was refused: vessel drained by hand, plugs in, hoses on."""
    hands.mistakes.clear()
    wire(hands, {})
    world = hands.world
    world.lifted.clear()
    world.tubes_off.clear()
    world.rattles_until_s.clear()
    world.conductivity_disconnected = world.second_float_up = world.stops_next_run = False
    world.beaker = None
    world.titrant_umol_ml = 0.0  # the bottle of water is in its place again
    hands.service.bench.wait(3.0)  # inputs take their time to say what they are


def test_every_mistake_of_the_first_day_is_stopped_at_its_step_named_and_can_be_mended(hands):
    """One clumsy keeper makes all of them, each at its step, mends it, and comes to the end all the same."""
    peaks = {}
    for step in STEPS:
        for name, cause in CLUMSY.get(step.name, {}).items():
            mistake = MISTAKES[name]
            hands.mistakes.update(mistake)
            wire(hands, mistake)
            drawn_ml = hands.world.spilled.peak_vessel_ml = 0.0
            with refused_in(name) as refused:
                hands.run("bring-up", step=step.name)
            assert (name, refused.value.cause) == (name, cause), str(refused.value)
            assert "saltern bring-up" in refused.value.remedy
            assert step.name not in names(hands)
            peaks[name] = hands.world.spilled.peak_vessel_ml - drawn_ml
            tidy(hands)
        if step.name == "kill":
            kill_while_it_fills(hands)
        hands.run("bring-up")
        assert step.name in names(hands)

    cup_ml = 22.0
    assert peaks["waste-reversed"] == 0.0
    assert peaks["waste-reversed-not-looked-at"] < cup_ml + 1.0  # nothing but the cup that was poured in by hand
    assert peaks["waste-reversed-container-full"] < 0.5 * hands.world.overfill_ml
    assert hands.world.spilled.spilled_ml == 0.0
    assert {cause for causes in CLUMSY.values() for cause in causes.values()} <= set(Cause)


def test_every_mistake_of_the_first_day_that_hands_know_is_made():
    from saltern_drivers.twin.first_day import MISTAKES as OF_THE_FIRST_DAY

    made = {name for mistakes in CLUMSY.values() for name in mistakes}
    assert set(OF_THE_FIRST_DAY) <= made


# In order, resumed, tried again ---------------------------------------------------------------------


def test_a_step_is_refused_until_those_before_it_are_passed(hands):
    for step in STEPS[1:]:
        with pytest.raises(OutOfOrderError, match="computer, which is not passed yet"):
            hands.run("bring-up", step=step.name)
    assert hands.asked == []
    assert hands.service.left_open() is None


def test_it_goes_on_where_it_was_in_another_process(hands):
    go_through(hands, until="inputs")
    hands.stage.computer.lose(powered=True)
    hands.stage.computer.start_again()

    assert names(hands) == ["computer", "outputs", "inputs"]
    hands.run("bring-up")
    assert names(hands)[-1] == "permits"


def test_a_step_that_fails_today_is_not_passed_any_more_and_those_after_it_wait(hands):
    go_through(hands, until="permits")
    hands.mistakes["loose"] = "leak"
    with pytest.raises(RefusedError):
        hands.run("bring-up", step="inputs")
    tidy(hands)

    assert names(hands) == ["computer", "outputs", "permits"]
    kept = [(k.kind, k.outcome) for k in calibrations.history(hands.service.store)]
    assert kept[0] == (Kind.BRING_UP_INPUTS, "refused")
    with pytest.raises(OutOfOrderError):
        hands.run("bring-up", step="turning")
    hands.run("bring-up")
    assert names(hands) == ["computer", "outputs", "inputs", "permits"]


def test_a_stop_in_a_step_leaves_it_not_passed_and_pumps_at_rest(hands):
    go_through(hands, until="turning")
    hands.world.stop_pressed = True
    with pytest.raises((InterlockError, RefusedError)):
        hands.run("bring-up")
    assert names(hands)[-1] == "turning"
    assert not any(head.turns(hands.stage.clock.monotonic()) for head in hands.world.pumps.values())
    assert state(hands.service.store, HANDS) == "bring-up"


def test_a_service_that_nobody_kills_does_not_pass_for_killed(hands):
    go_through(hands, until="probes")
    with pytest.raises(RefusedError) as refused:
        hands.run("bring-up")
    assert refused.value.cause is Cause.NOT_KILLED
    kill_while_it_fills(hands)
    hands.answers["ran-on"] = ["8"]
    with pytest.raises(RefusedError) as refused:
        hands.run("bring-up")
    assert refused.value.cause is Cause.RAN_ON


def test_the_checklist_has_every_step_once_and_ends_with_what_makes_a_result(hands):
    found = checklist(hands.service.store, hands.service.config)
    assert [item.name for item in found.items] == [
        *(step.name for step in STEPS), *(kind.value for kind, _ in AFTERWARDS), "proof-test",
    ]  # fmt: skip
    assert len(STEPS) == 12
    assert found.next.name == "computer"
    assert {step.kind for step in STEPS} == {kind for kind in Kind if kind.value.startswith("bring-up-")}


# The computer ---------------------------------------------------------------------------------------


def test_a_computer_that_is_not_ready_is_told_what_to_type(tmp_path):
    from datetime import UTC, datetime

    now = datetime(2026, 5, 1, tzinfo=UTC)
    assert amiss_with_computer(now, None, tmp_path) == []
    (tmp_path / "run/systemd/timesync").mkdir(parents=True)
    supply = tmp_path / "sys/class/hwmon/hwmon1"
    supply.mkdir(parents=True)
    (supply / "name").write_text("rpi_volt\n")
    (supply / "in0_lcrit_alarm").write_text("1\n")

    said = {one.what: one.remedy for one in amiss_with_computer(now, None, tmp_path)}
    assert said == {
        "the clock was not set by the network yet": "wait for it: timedatectl timesync-status",
        "the supply of the computer is too low": "take a stronger supply and a shorter cable",
    }
    (tmp_path / "run/systemd/timesync/synchronized").touch()
    (supply / "in0_lcrit_alarm").write_text("0\n")
    assert amiss_with_computer(now, None, tmp_path) == []
    (early,) = amiss_with_computer(datetime(1970, 1, 1, tzinfo=UTC), None, tmp_path)
    assert "timedatectl" in early.remedy


def test_a_board_that_is_silent_keeps_the_first_step_from_passing(hands):
    hands.world.temperature_open = True  # the probe is pulled: its board sends what no liquid has
    with pytest.raises(RefusedError) as refused:
        hands.run("bring-up")
    assert refused.value.cause is Cause.NOT_READY
    assert "temperature board" in str(refused.value)
    assert names(hands) == []


# What is shown --------------------------------------------------------------------------------------


@pytest.mark.parametrize("width", [80, 60])
def test_the_checklist_fits_the_screen_and_says_what_is_next(hands, width):
    hands.run("bring-up")
    service = hands.service
    found = checklist(service.store, service.config).as_json()
    lines = checklist_lines(found, hands.stage.clock.now(), ZoneInfo("Europe/Berlin"), width)

    assert max(len(line) for line in lines) <= width
    assert lines[0] == "1 of 20 are on record"
    assert lines[-1] == "Next: saltern bring-up"
    assert [line[4:] for line in lines if line.startswith(">")] == [" outputs: each output alone, on a meter or an LED"]
    (passed, *_) = (line for line in lines if line.startswith("*"))
    assert "computer" in passed
    assert "by the keeper" in " ".join(" ".join(lines).split())


def test_status_says_how_far_a_new_bench_is_and_nothing_of_it_once_it_is_commissioned(hands, day):
    service = hands.service
    reads = Reads(service, service.store, lambda: True, lambda: None)
    found = reads.status()
    Status.model_validate(found)
    said = " ".join(" ".join(line for line, _ in status_lines(found, None, 80)).split())
    assert "0 of 20 are on record, next is computer: saltern bring-up" in said

    done = Reads(day.hands.service, day.hands.service.store, lambda: True, lambda: None).status()
    assert done["bring_up"]["next"] is None
    shown = {one["kind"] for one in done["calibrations"] if "bring-up" in one["kind"]}
    assert shown == {"bring-up-permits", "bring-up-vessel"}
    assert not any("on record" in line for line, _ in status_lines(done, None, 80))
