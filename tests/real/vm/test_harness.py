"""What of the harness needs no machine: patch, pins, judge, table; each wrong thing is seen as wrong."""

import json
import os
import subprocess
from pathlib import Path

import pytest

from saltern.bench.devices import validate_devices
from saltern.config.loading import bench_from
from tests.real.vm import image
from tests.real.vm.__main__ import SCENARIOS
from tests.real.vm.at_once import SHARES, at_once
from tests.real.vm.benches import example, examples, filled, outputs, serial_bench
from tests.real.vm.image import HERE, KERNEL_PARTS, SOURCE
from tests.real.vm.lab import Lab, Records
from tests.real.vm.outcome import Case, exit_code, judged, read_json, write_json
from tests.real.vm.pins import Pins
from tests.real.vm.unplugged import ANOTHER, in_order
from tests.real.vm.upkeep import second_bench
from tests.real.vm.water import Water
from tests.real.vm.witness import Witness

WIRE = ("w 17 19", "l 16 1", "s ph 2d31320d", "u ph", "g ph")


def heard(pins, *lines):
    for line in lines:
        pins.hear(line)


def pins_of(*watched):
    said = []
    pins = Pins(said.append)
    pins._lines = watched
    pins.rises = dict.fromkeys(watched, 0)
    return pins, said


def test_rises_are_counted_from_the_first_look_on_and_survive_looks_that_tell_none():
    pins, _ = pins_of(17, 19)
    looks = []
    pins.on_look = looks.append
    heard(pins, "p 10.0 0 17:4000 19:7", "p 10.1 20000 17:4033", "p 10.2 0", "p 10.3 80000 19:8")

    assert pins.rises == {17: 33, 19: 1}
    assert [look.risen for look in looks] == [{}, {17: 33}, {}, {19: 1}]
    assert looks[1].high(17)
    assert not looks[2].high(17)


def test_a_line_that_pulses_between_looks_is_not_low():
    pins, _ = pins_of(17)
    heard(pins, "p 1.0 0 17:1", "p 1.2 0", "p 1.5 0")
    assert pins.all_low()
    heard(pins, "p 1.6 0 17:2", "p 1.7 0", "p 1.9 0")
    assert not pins.all_low()
    assert pins.seconds_until_low(1.0, 0.05) is None


@pytest.mark.parametrize(("was", "beside"), [("ttyACM0", "ttyACM3"), ("ttyACM1", "ttyACM0")])
def test_a_board_that_is_plugged_in_again_gets_the_other_number(was, beside):
    free, now = sorted([was, beside]), {}
    for one in in_order("ph", was, beside):
        now[one] = free.pop(0)

    assert now == {"ph": beside, ANOTHER: was}


def test_what_hangs_on_the_pins_is_said_in_the_wire_s_words():
    pins, said = pins_of(17)
    pins.pull(16, up=True)
    pins.answer("ph", b"-12\r")
    pins.unplug("ph")
    pins.plug("ph")
    assert said == list(WIRE[1:])


def test_every_example_bench_is_one_that_the_machine_can_be_given():
    assert examples()
    for name in examples():
        bench_from(example(name), where=name)
    first, second = serial_bench(), second_bench()
    assert outputs(first) == [11, 12, 13, 17, 18, 19, 22, 23, 24, 25, 27]
    claimed = [
        claim
        for table in (first, second)
        for _, driver, options in validate_devices(bench_from(table, where="here"))
        for claim in driver.claims(options)
    ]
    assert len(claimed) == len(set(claimed))  # no pin and no port is both benches'


class _Water:
    class world:  # noqa: N801 - stands for an instance
        capacity_ml = 150.0

        class spilled:  # noqa: N801
            spilled_ml = 0.0
            titrant_to_tank_ml = 0.0

    def volume_ml(self):
        return 61.0


@pytest.mark.parametrize(
    ("records", "wrong"),
    [
        (Records("ok", [(1, "accepted", 2450.0)], ("fill", 0.0, 140.0), []), None),
        (Records("ok", [(1, "void", None)], ("fill", 0.0, 140.0), []), "lost: \\[1\\]"),
        (Records("ok", [(1, "accepted", 2450.0)], (None, 0.0, 60.9), []), "promised"),
        (Records("row 3 missing", [(1, "accepted", 2450.0)], (None, 0.0, 62.0), []), "integrity"),
        (Records("ok", [(1, "accepted", 2450.0)], None, []), "and no ledger"),
    ],
)
def test_the_judge_sees_a_lost_result_a_broken_promise_and_a_damaged_file(records, wrong):
    lab = object.__new__(Lab)
    lab.witness, lab.water = Witness(), _Water()
    finished = {"method": "finished", "params": {"id": 1, "alkalinity": {"verdict": "accepted"}}}
    lab.witness.hear(f"/run/saltern/bench.sock {json.dumps(finished)}")
    lab.witness.hear('/run/saltern/bench.sock {"method": "finish')  # cut short

    found = lab.violations(records)
    if wrong is None:
        assert found == []
    else:
        assert len(found) == 1
        with pytest.raises(AssertionError, match=wrong):
            raise AssertionError(found[0])


def test_a_violation_is_an_exit_code_and_so_is_nothing_tried(tmp_path):
    held, violated = judged("a", "b", [], low_after_s=1.5), judged("a", "c", ["still driven"])
    not_had = Case("a", "d", None, {}, "no such thing here")
    assert exit_code([held, not_had]) == 0
    assert exit_code([held, violated]) == 1
    assert exit_code([not_had]) == 1
    write_json([held, violated, not_had], tmp_path / "cases.json", 12.3)
    table = json.loads((tmp_path / "cases.json").read_text())
    assert [case["held"] for case in table["cases"]] == [True, False, None]
    assert table["cases"][1]["why"] == "still driven"


def test_the_patch_fits_the_distribution_s_source_exactly(tmp_path):
    """Only where that source was unpacked lately: it takes eight seconds."""
    from tests.real.vm.image import CACHE

    sources = CACHE / "source"
    if not all((sources / Path(part).name).exists() for part in KERNEL_PARTS):
        pytest.skip(f"no unpacked {SOURCE} in {sources}: make vm leaves one")
    for part in KERNEL_PARTS:
        (tmp_path / Path(part).name).write_bytes((sources / Path(part).name).read_bytes())
    with (HERE / "gpio-sim.patch").open("rb") as lines:
        words = ["patch", "-p0", "--fuzz=0", "-d", str(tmp_path)]
        done = subprocess.run(words, stdin=lines, capture_output=True, check=False, text=True)
    assert done.returncode == 0, done.stdout
    assert "offset" not in done.stdout


def test_the_water_moves_by_counted_steps_while_a_permit_pulses_and_by_nothing_else():
    said = []
    pins = Pins(said.append)
    water = Water(filled(serial_bench()), pins, 1)
    lines = outputs(serial_bench())
    pins._lines, pins.rises = tuple(lines), dict.fromkeys(lines, 0)
    enabled, before_ml = 1 << 22, water.volume_ml()
    heard(pins, "p 1.0 0 " + " ".join(f"{line}:0" for line in lines))
    for look in range(1, 21):  # the pump turns without a permit
        pins.hear(f"p {1.0 + 0.1 * look:.4f} {enabled:x} 17:{33 * look}")
    assert water.volume_ml() == pytest.approx(before_ml)
    for look in range(1, 21):
        pins.hear(f"p {3.0 + 0.1 * look:.4f} {enabled:x} 17:{660 + 33 * look} 19:{look}")
    drawn_ml = water.volume_ml() - before_ml
    assert drawn_ml == pytest.approx(660 * 0.005, rel=0.03)

    kept = water.kept()
    water.booted()
    pins.hear("p 0.5 0")
    pins.hear("p 60.0 0")  # a power cut and a boot: what is in the vessel stays
    assert water.volume_ml() == pytest.approx(before_ml + drawn_ml)
    water.take_up(kept)
    assert water.steps == {"sample": 1320, "titrant": 0}


def test_two_machines_share_every_scenario_and_none_twice():
    assert sorted(name for share in SHARES for name in share) == sorted(SCENARIOS)


def test_what_a_machine_wrote_is_read_again(tmp_path):
    cases = [judged("cuts", "1", [], took_s=1.25), judged("deaths", "2", ["driven"]), Case("a", "b", None, {}, "why")]
    write_json(cases, tmp_path / "cases.json", 3.0)
    assert read_json(tmp_path / "cases.json") == cases


def test_a_machine_that_ends_without_a_word_is_a_violation():
    cases = at_once(["--seed", "none"])  # both end at once: they do not understand
    assert len(cases) == len(SHARES)
    assert exit_code(cases) == 1


def test_a_disk_on_which_a_machine_runs_is_not_thrown_away_for_another_tree(tmp_path, monkeypatch):
    """Two runs of different trees at once: the older one's machines died as the third disk was made."""
    monkeypatch.setattr(image, "CACHE", tmp_path)
    monkeypatch.setattr(image, "IN_USE", [])
    for name in ("disk-old", "disk-idle", "disk-new"):
        (tmp_path / name).mkdir()
        os.utime(tmp_path / name, (1.0, {"disk-old": 1.0, "disk-idle": 2.0, "disk-new": 3.0}[name]))
    image._use(tmp_path / "disk-old")
    try:
        image._keep_few("disk-*", 2)
        assert sorted(path.name for path in tmp_path.iterdir() if path.is_dir()) == ["disk-new", "disk-old"]
    finally:
        for lock in image.IN_USE:
            os.close(lock)
