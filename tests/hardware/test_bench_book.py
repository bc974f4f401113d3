"""The builder's pages of each example bench: a current can be followed through every wire, and the lid takes it all."""

import csv
import math
import tomllib
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import pytest
from gpiozero.pins.data import PI4_J8
from hardware.bench_book import header, vessel, wiring
from hardware.bench_book.__main__ import EXAMPLES, write
from hardware.bench_book.bench import Bench, header_lines, read
from hardware.bench_book.page import page
from hardware.bench_book.parts import TABLE, cost_eur, counted, items

from saltern.bench.drivers import installed

BENCHES = {path.stem.removeprefix("bench-"): read(path) for path in EXAMPLES}
each_bench = pytest.mark.parametrize("bench", BENCHES.values(), ids=BENCHES)
HARDWARE = Path(__file__).parents[2] / "hardware"

INSIDE = (
    *((f"fuse F{number} in", f"fuse F{number} out") for number in range(6)),
    ("stop button, pole 1 in", "stop button, pole 1 out"),
    ("second float's relay, contact in", "second float's relay, contact out"),
    ("stirrer motor, plus", "stirrer motor, minus"),
    ("waste motor, plus", "waste motor, minus"),
    ("stirrer FET, drain", "stirrer FET, source"),
    ("shunt 1 Ω, top", "shunt 1 Ω, foot"),
    ("second float, one end", "second float, other end"),
    ("second float's relay, coil plus", "second float's relay, coil minus"),
    *(
        (f"{role} {which} FET, drain", f"{role} {which} FET, source")
        for role in ("sample", "waste", "titrant")
        for which in ("drive", "permit")
    ),
)
"""Which ends of one unit a current passes between while it is on."""


def reached(bench, start, without=()):
    """Return every end that a current from `start` reaches, with some units open."""
    joined = [(wire.start, wire.end) for wire in wiring.wiring(bench)]
    joined += [(one, other) for one, other in INSIDE if not any(one.startswith(unit) for unit in without)]
    found, ahead = {start}, [start]
    while ahead:
        at = ahead.pop()
        for one, other in joined:
            for here, there in ((one, other), (other, one)):
                if here == at and there not in found and there != wiring.STAR:
                    found.add(there)
                    ahead.append(there)
    return found


def motor_of(bench, role):
    return f"{role} stepper driver, motor supply" if wiring.is_stepper(bench, role) else f"{role} motor, plus"


PLUS = "12 V supply, plus"
STOP, RELAY = "stop button, pole 1", "second float's relay, contact"


@each_bench
def test_the_stop_button_opens_the_supply_of_every_pump(bench):
    fed, stopped = reached(bench, PLUS), reached(bench, PLUS, without=(STOP,))
    for role in ("sample", "waste", "titrant"):
        assert motor_of(bench, role) in fed
        assert motor_of(bench, role) not in stopped


@each_bench
def test_the_second_float_stops_what_fills_and_never_the_waste_pump(bench):
    afloat = reached(bench, PLUS, without=(RELAY,))
    assert motor_of(bench, "waste") in afloat
    assert not {motor_of(bench, "sample"), motor_of(bench, "titrant")} & afloat


@each_bench
def test_drive_and_permit_are_in_series_where_the_node_is_not_the_permit(bench):
    for role in wiring.one_shots(bench):
        begin = f"{role} stepper driver, enable" if wiring.is_stepper(bench, role) else f"{role} motor, minus"
        source = f"{role} permit FET, source"
        assert source in reached(bench, begin)
        for unit in (f"{role} drive FET", f"{role} permit FET"):
            assert source not in reached(bench, begin, without=(unit,))


@each_bench
def test_each_fuse_blows_before_its_wire_burns(bench):
    for wire in wiring.wiring(bench):
        if wire.purpose == "12 V":
            assert wire.fuse_a is not None
        if wire.fuse_a is not None:
            assert wire.fuse_a <= wiring.CARRIES_A[wire.area_mm2], wire


def test_the_fuses_are_those_of_the_page_of_the_supply():
    said = (HARDWARE / "circuits" / "supply.md").read_text()
    rows = {cells[1].strip(): cells for line in said.splitlines() if len(cells := line.split("|")) > 5}
    named = {"all pumps, before the stop button": "all pumps", "computer, through 12 V to 5 V": "computer",
             "sample stepper": "stepper", "waste pump": "DC pump", "stirrer": "stirrer"}  # fmt: skip
    for row, branch in named.items():
        assert float(rows[row][4].split()[0]) == wiring.FUSES_A[branch]


@each_bench
def test_every_line_that_the_drivers_claim_is_on_the_pin_that_the_library_says(bench):
    """The drivers' own claims, and the header of another board of the same 40 pins."""
    path = next(path for path in EXAMPLES if path.stem == f"bench-{bench.title}")
    claimed = {line for line in header_lines(bench) if line not in (2, 3)}
    assert set(claims_of(path)) == claimed
    shown = page(bench)
    for line, what in header_lines(bench).items():
        pin = next(pin for pin, functions in PI4_J8[2].items() if functions.get("gpio") == f"GPIO{line}")
        assert header.pin_of(line) == pin
        row = next(row for row in shown.splitlines() if f"{pin} · GPIO {line} |" in row)
        assert what in row


def claims_of(path):
    """Return the header lines that the drivers of a bench file claim."""
    for device in read(path).devices():
        driver = installed()[device.driver].load()
        for claim in driver.claims(driver.config.model_validate(device.options)):
            if claim.startswith("gpio:"):
                yield int(claim.removeprefix("gpio:"))


@each_bench
def test_probes_floats_tubes_and_bar_fit_the_vessel(bench):
    holes, radius = vessel.placed(bench), math.sqrt(bench.table["vessel"]["area_cm2"] * 100.0 / math.pi)
    for one, other in combinations(holes, 2):
        apart = math.dist((one.x_mm, one.y_mm), (other.x_mm, other.y_mm))
        assert apart >= 0.5 * (one.diameter_mm + other.diameter_mm) + 1.0, (one.name, other.name)
    for hole in holes:
        assert math.hypot(hole.x_mm, hole.y_mm) + 0.5 * hole.diameter_mm + 1.0 <= radius, hole.name
    assert vessel.misfits(bench) == []


@each_bench
def test_a_vessel_too_narrow_for_real_probes_is_said_on_its_page(bench):
    narrow = replace(bench, table={**bench.table, "vessel": {**bench.table["vessel"], "area_cm2": 15.0}})
    assert vessel.misfits(narrow)
    assert "Does not fit" in page(narrow)


@each_bench
def test_nothing_that_measures_or_turns_is_left_without_a_supply(bench):
    """A board on USB is fed by its cable; all others have a wire from the supply or the converter."""
    fed = reached(bench, PLUS) | reached(bench, "5 V converter, out plus")
    for role in ("sample", "waste", "titrant"):
        assert motor_of(bench, role) in fed
    for device in bench.devices():
        if device.place.startswith("probes.") and device.driver != "serial-line":
            name = device.place.split(".")[1]
            assert any(end.startswith(name) and end.endswith("supply plus") for end in fed), name


@each_bench
def test_the_list_has_a_part_for_every_unit_of_the_wiring(bench):
    ends = {end.split(",")[0] for wire in wiring.wiring(bench) for end in (wire.start, wire.end)}
    having = counted(bench)
    assert having["gate"] == len({end for end in ends if end.endswith("FET")})
    assert having["one-shot package"] == len({end for end in ends if end.startswith("one-shots")})
    assert having["input"] == len({end for end in ends if end.endswith("input circuit")})
    assert having["stepper"] == len({end for end in ends if end.endswith("stepper driver")})
    fuses = next(one for one in items(bench) if one.part.startswith("fuse holder"))
    assert fuses.count == len({end.split()[1] for end in ends if end.startswith("fuse ")})
    low, high = cost_eur(items(bench))
    assert 300.0 < low < high


def test_no_line_of_the_parts_is_counted_by_what_no_bench_has():
    with TABLE.open() as file:
        by = {line["counted by"] for line in csv.DictReader(file)}
    assert by <= counted(BENCHES["node"]).keys()
    assert by - {"balance"} <= {name for bench in BENCHES.values() for name, count in counted(bench).items() if count}


@each_bench
def test_the_pages_are_those_that_the_bench_files_give(bench, tmp_path):
    write(bench, tmp_path)
    kept = HARDWARE / "benches"
    assert {path.name for path in tmp_path.iterdir()} <= {path.name for path in kept.iterdir()}
    name = f"bench-{bench.title}.md"
    assert (tmp_path / name).read_text() == (kept / name).read_text()


def test_a_bench_of_ones_own_gets_its_own_page(tmp_path):
    mine = tmp_path / "bench-mine.toml"
    text = EXAMPLES[1].read_text().replace("pin = 26", "pin = 14")
    mine.write_text(text)
    found = Bench("mine", tomllib.loads(text))
    assert "8 · GPIO 14" in page(found)
    assert any("header pin 8 (GPIO 14)" in wire.start for wire in wiring.wiring(found))
