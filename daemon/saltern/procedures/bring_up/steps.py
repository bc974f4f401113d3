"""The table of steps, in their order: what each is, what may be powered, and what is done."""

from collections.abc import Callable
from dataclasses import dataclass

from saltern.model.calibration import Kind
from saltern.procedures.bring_up import dry, water
from saltern.procedures.bring_up.acid import acid
from saltern.procedures.bring_up.floats import floats
from saltern.procedures.bring_up.kill import kill
from saltern.procedures.bring_up.probes import probes
from saltern.procedures.bring_up.site import Found, Site
from saltern.procedures.bring_up.vessel import vessel


@dataclass(frozen=True)
class BringUpStep:
    """One step: its name, its record's kind, what it is, what is on and in meanwhile, and what it does."""

    name: str
    kind: Kind
    title: str
    ready: str
    run: Callable[[Site], Found]


STEPS: tuple[BringUpStep, ...] = (
    BringUpStep(
        "computer", Kind.BRING_UP_COMPUTER, "chip, ports, boards, clock, disk, supply",
        "motor supply off, no water", dry.computer,
    ),
    BringUpStep(
        "outputs", Kind.BRING_UP_OUTPUTS, "each output alone, on a meter or an LED",
        "motor supply off, hoses off, vessel dry", dry.outputs,
    ),
    BringUpStep(
        "inputs", Kind.BRING_UP_INPUTS, "each input opened, closed and wiggled",
        "motor supply off, hoses off, vessel dry", dry.inputs,
    ),
    BringUpStep(
        "permits", Kind.BRING_UP_PERMITS, "how long each permit holds",
        "motor supply off, hoses off, vessel dry", dry.permits,
    ),
    BringUpStep(
        "turning", Kind.BRING_UP_TURNING, "which way each pump turns",
        "motor supply on, hoses off, vessel dry", dry.turning,
    ),
    BringUpStep(
        "water", Kind.BRING_UP_WATER, "waste first, then fill, drain and titrant",
        "motor supply on, salted water, no acid", water.water,
    ),
    BringUpStep(
        "leaks", Kind.BRING_UP_LEAKS, "an hour with a full vessel", "salted water, no acid; an hour", water.leaks
    ),
    BringUpStep(
        "floats", Kind.BRING_UP_FLOATS, "floats, tray and stop button, by hand and by water",
        "salted water, no acid", floats,
    ),
    BringUpStep(
        "probes", Kind.BRING_UP_PROBES, "probes in air, water and buffer, alone and disturbed",
        "salted water, a neutral buffer, no acid", probes,
    ),
    BringUpStep(
        "kill", Kind.BRING_UP_KILL, "the service killed while a pump turns",
        "salted water, a second terminal, no acid", kill,
    ),
    BringUpStep(
        "vessel", Kind.BRING_UP_VESSEL, "the vessel weighed: area, residue, the cell's height",
        "salted water, a scale, no acid", vessel,
    ),
    BringUpStep(
        "acid", Kind.BRING_UP_ACID, "titrant and tank water in their lines",
        "goggles, gloves, titrant, tank water", acid,
    ),
)  # fmt: skip

AFTERWARDS: tuple[tuple[Kind, str], ...] = (
    (Kind.TEMPERATURE, "calibrate temperature"),
    (Kind.CONDUCTIVITY, "calibrate conductivity"),
    (Kind.PH, "calibrate ph"),
    (Kind.SAMPLE_PUMP, "calibrate pump sample --new-tube"),
    (Kind.WASTE_PUMP, "calibrate pump waste"),
    (Kind.TITRANT_PUMP, "calibrate pump titrant --new-tube"),
    (Kind.TITRE, "standardise --alkalinity UMOL_KG --u UMOL_KG"),
)
"""What the last step goes on to, by what is then on record: procedures of their own."""
