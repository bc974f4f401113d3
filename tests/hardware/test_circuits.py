"""The circuits of the hardware book, by a simulator that is not ours: they hold at every corner, and mistakes show."""

import importlib.util
import itertools
import random
import shutil
import sys
from pathlib import Path

import pytest

from saltern.config.loading import load_bench, shipped_config

FOLDER = Path(__file__).parents[2] / "hardware" / "circuits"
NGSPICE = pytest.mark.skipif(shutil.which("ngspice") is None, reason="the circuit simulator ngspice is not installed")


def _circuits():
    spec = importlib.util.spec_from_file_location("circuits", FOLDER / "circuits.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules["circuits"] = module
    spec.loader.exec_module(module)
    return module


BOOK = _circuits()
CASES = [(circuit, case) for circuit in BOOK.CIRCUITS for case in circuit.cases]


def broken(circuit, case, found):
    return [
        (demand.quantity, each.get(demand.quantity))
        for demand in circuit.demands
        for each in found
        if demand.case == case and not demand.low <= each.get(demand.quantity, float("nan")) <= demand.high
    ]


def some_corners(circuit, count):
    """Return all low, all high, and some others."""
    parts = circuit.parts.values()
    every = list(itertools.product(*((part.low, part.high) for part in parts)))
    chosen = [every[0], every[-1], *random.Random(7).sample(every, min(count, len(every)))]
    return [dict(zip(circuit.parts, values, strict=True)) for values in chosen]


@NGSPICE
@pytest.mark.parametrize(("circuit", "case"), CASES, ids=lambda each: getattr(each, "name", each))
def test_a_circuit_does_what_it_must_at_the_ends_of_its_parts(circuit, case):
    found = [
        BOOK.simulated(circuit, {**values, **circuit.values, **circuit.cases[case]})
        for values in some_corners(circuit, 2)
    ]

    assert broken(circuit, case, found) == []


@NGSPICE
@pytest.mark.soak
@pytest.mark.parametrize(("circuit", "case"), CASES, ids=lambda each: getattr(each, "name", each))
def test_a_circuit_does_what_it_must_at_every_corner(circuit, case):
    assert broken(circuit, case, BOOK.corners(circuit, case)) == []


WEAK_PULL_DOWN = {"r_line": "4.7k", "vto": 0.5, "leak": "120u"}
MISTAKES = [
    ("dc-pump", "all lines float", {"r_pull": "1meg"}, "a gate with next to no pull-down"),
    ("dc-pump", "both on", {"vto": 3.0}, "a FET that wants 10 V at its gate"),
    ("stepper-enable", "drive off", {"r_up": "1e9"}, "an enable input without its pull-up"),
    ("node-enable", "the chip resets, or is not there", WEAK_PULL_DOWN, "4.7 kohm, on a chip whose lines leak"),
    ("input", "closed", {"r_up": "50k"}, "the chip's own pull-up alone: nothing wets the contact"),
    ("input", "12 V on the cable", {"r_series": "10"}, "no resistor before the clamps"),
    ("float-relay", "the float opens at 50 ms", {"r_coil": 8}, "a motor instead of a coil through the reed"),
    ("supply-switch", "on for 0.2 s, then off", {"c_slow": "1p", "c_bulk": "2m"}, "nothing slows the inrush"),
]


@NGSPICE
@pytest.mark.parametrize(("name", "case", "mistake", "what"), MISTAKES, ids=[each[3] for each in MISTAKES])
def test_a_builders_mistake_breaks_a_demand(name, case, mistake, what):
    (circuit,) = (each for each in BOOK.CIRCUITS if each.name == name)
    found = [
        BOOK.simulated(circuit, {**values, **circuit.values, **circuit.cases[case], **mistake})
        for values in some_corners(circuit, 2)
    ]

    assert broken(circuit, case, found), what


@NGSPICE
def test_a_motor_without_its_diode_destroys_its_transistor(tmp_path, monkeypatch):
    (circuit,) = (each for each in BOOK.CIRCUITS if each.name == "dc-pump-off")
    netlist = (FOLDER / circuit.netlist).read_text()
    (tmp_path / circuit.netlist).write_text(netlist.replace("Dfly motor supply schottky\n", ""))
    monkeypatch.setattr(BOOK, "HERE", tmp_path)

    found = BOOK.simulated(circuit, {name: part.low for name, part in circuit.parts.items()})

    assert found["v_peak"] > 100.0


@NGSPICE
def test_a_gate_of_known_values_comes_out_as_ohms_law_has_it():
    """12 V, 24 ohm, and FETs of tens of milliohm: half an ampere."""
    (circuit,) = (each for each in BOOK.CIRCUITS if each.name == "dc-pump")
    parts = {"supply": 12, "vto": 1.0, "r_motor": 24, "r_series": 100, "r_pull": "10k", "leak": 0}

    assert BOOK.simulated(circuit, {**parts, **BOOK.LINES_ON})["i_motor"] == pytest.approx(0.5, rel=0.01)


@pytest.mark.parametrize("name", ["bench-header.toml", "bench-serial.toml"])
def test_a_one_shot_holds_over_missed_scans_and_lapses_within_what_bench_files_say(name):
    low_s, high_s = BOOK.LAPSE.seconds()
    pumps = load_bench(shipped_config(name)).pumps
    stated_s = [getattr(pumps, role).permit.options().get("lapse_s", 0.5) for role in ("sample", "waste", "titrant")]

    assert high_s <= min(stated_s)
    assert low_s > 3 * 0.1  # two scans of 0.1 s may be missed


def test_the_page_of_tolerances_has_a_row_for_each_demand():
    rows = (FOLDER / "TOLERANCE.md").read_text()

    for circuit in BOOK.CIRCUITS:
        for demand in circuit.demands:
            assert f"| {circuit.name} | {demand.case} | {demand.quantity} |" in rows


def test_every_circuit_has_its_page_with_parts_and_a_drawing():
    pages = "\n".join(path.read_text() for path in FOLDER.glob("*.md"))

    for circuit in BOOK.CIRCUITS:
        assert f"({circuit.netlist})" in pages
