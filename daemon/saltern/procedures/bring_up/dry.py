"""The steps before any water: the computer, outputs and inputs one by one, permits, and which way each pump turns."""

from saltern.bench.bench import Bench
from saltern.bench.hydraulics import refusals
from saltern.config.loading import with_values
from saltern.errors import ReadingError
from saltern.model.calibration import Cause, Kind, Value
from saltern.procedures.bring_up.site import Amiss, Found, Site, StepRefusedError, choose

SHOWS_S = 3.0
"""Long enough to see a needle or an LED (assumed)."""

TURNS_S = 2.0

SAYS_SO_S = 1.0
"""An input has said what it is by then: its debounce time, and a hand that lets go as it presses Enter."""

WIGGLED_S = 10.0
WIGGLE_LOOK_S = 0.05
INPUTS: dict[str, tuple[str, str, str]] = {
    "overfill": ("the overfill float", "Lift the overfill float, and hold it up", "Let the float down"),
    "leak": ("the leak sensor", "Lay a wet cloth on the tray's leak sensor", "Wipe the sensor dry"),
    "stop": ("the stop button", "Press the stop button, and leave it pressed", "Release the stop button"),
    "waste_full": ("the container's float", "Lift the waste container's float, and hold it up", "Let the float down"),
}
"""By switch: what it is, how it is made to open, and how it is put back."""

LEAST_LAPSE_S = 0.25
"""A permit is kicked every 0.1 s while its pump turns: one that lapses sooner would cut in the middle of a motion."""

LONGER = 1.25
"""A stated lapse may be exceeded by its own uncertainty, as in `saltern.bench.lapse`."""

BY_EYE_S = 0.05
"""How well a lapse is read from a film of 30 pictures a second (common practice)."""


def computer(site: Site) -> Found:
    """Check the computer, every board, and each probe's answer."""
    amiss = [*site.computer(), *_boards(site.bench)]
    if amiss:
        listed = "; ".join(f"{one.what}: {one.remedy}" for one in amiss)
        raise StepRefusedError(Kind.BRING_UP_COMPUTER, Cause.NOT_READY, listed, "Put that right")
    return Found("chip, ports, boards, clock, disk and supply answer as they should")


def _boards(bench: Bench) -> list[Amiss]:
    bench.look_at_ports()
    amiss = [
        Amiss(f"{place} at {connection.where} is absent ({connection.trouble})", connection.remedy)
        for place, connection in bench.connections.items()
        if not connection.up
    ]
    for name in bench.devices.probes:
        try:
            bench.read(name)
        except ReadingError as error:
            amiss.append(Amiss(f"the {name} board: {error.what}", error.remedy))
    return amiss


def outputs(site: Site) -> Found:
    """Energise each permit and each drive alone, before a meter or an LED."""
    bench, prompts = site.bench, site.prompts
    prompts.say("Motor supply off, hoses off, no acid in the room. Mains plugs stay above and away from water.")
    prompts.confirm("vessel-dry", "Empty the vessel and wipe it dry, probes hanging in it")
    bench.accept_empty("bring-up: the vessel was wiped dry")
    for role in bench.devices.pumps:
        for part, act in (("permit", bench.trying.permit), ("drive", bench.trying.drive)):
            prompts.confirm(
                f"meter-at {part} {role}", f"Hold a meter, or an LED with its resistor, at the {role} pump's {part}"
            )
            act(role, SHOWS_S)
            seen = choose(
                prompts,
                f"meter {part} {role}",
                f"It was on for {SHOWS_S:.0f} s. What did the meter show?",
                ("it rose, and fell again", "nothing", "it stays up"),
            )
            if seen != 1:
                what = "shows nothing" if seen == 2 else "stays up"
                raise StepRefusedError(
                    Kind.BRING_UP_OUTPUTS,
                    Cause.DARK,
                    f"the {part} of the {role} pump {what} when it is switched on for {SHOWS_S:.0f} s",
                    f"Check pumps.{role}.{part} in the bench file, that pin and its wire",
                )
    return Found(f"{2 * len(bench.devices.pumps)} outputs rose and fell, each alone")


def inputs(site: Site) -> Found:
    """Open, close and wiggle each input; only its own may answer, and it must not bounce."""
    bench, prompts = site.bench, site.prompts
    statistics: dict[str, float] = {}
    for name in bench.devices.switches:
        what, provoke, put_back = INPUTS[name]
        _demand_quiet(bench)
        prompts.confirm(f"open {name}", provoke)
        bench.wait(SAYS_SO_S)
        opened = _active(bench)
        if opened != {name}:
            others = ", ".join(INPUTS[other][0] for other in sorted(opened - {name}))
            raise StepRefusedError(
                Kind.BRING_UP_INPUTS,
                Cause.WRONG_INPUT if others else Cause.NO_INPUT,
                f"{what} was opened, and {f'what answers is {others}' if others else 'nothing answers'}",
                f"Check switches.{name} in the bench file, its plug and its pin"
                + (": two plugs may be swapped" if others else ""),
            )
        prompts.confirm(f"close {name}", put_back)
        bench.wait(SAYS_SO_S)
        _demand_quiet(bench)
        prompts.confirm(f"wiggle {name}", f"Press Enter, then wiggle plug and cable of {what} for {WIGGLED_S:.0f} s")
        bounces = statistics[f"bounces_{name}"] = float(_bounces(bench, name))
        if bounces:
            raise StepRefusedError(
                Kind.BRING_UP_INPUTS,
                Cause.LOOSE,
                f"{what} opened {bounces:.0f} times while its plug was wiggled",
                "Crimp or solder that plug again: a loose one stops the bench at night",
            )
        bench.guard.reset("bring-up")
    return Found(f"{len(statistics)} inputs answered alone, and none bounced", statistics=statistics)


def _active(bench: Bench) -> set[str]:
    return {name for name, switch in bench.devices.switches.items() if switch.is_active()}


def _demand_quiet(bench: Bench) -> None:
    """Refuse to go on while an input says something that nobody does."""
    active = _active(bench)
    if active:
        name = min(active)
        raise StepRefusedError(
            Kind.BRING_UP_INPUTS,
            Cause.WRONG_INPUT,
            f"{INPUTS[name][0]} is open, though nobody holds it",
            f"Check switches.{name} in the bench file, its plug, its pin, and which way round the float hangs",
        )


def _bounces(bench: Bench, name: str) -> int:
    """Return how often an input opened while its plug was wiggled."""
    switch, was, count = bench.devices.switches[name], False, 0
    for _ in range(round(WIGGLED_S / WIGGLE_LOOK_S)):
        bench.wait(WIGGLE_LOOK_S)
        now = switch.is_active()
        count += now and not was
        was = now
    return count


def permits(site: Site) -> Found:
    """Measure how long each permit holds once it is not kicked any more; a longer one than stated counts so at once."""
    bench, prompts = site.bench, site.prompts
    statistics: dict[str, float] = {}
    values: dict[str, Value] = {}
    for role, permit in bench.devices.permits.items():
        prompts.confirm(
            f"film permit {role}",
            f"Film the LED at the {role} pump's permit beside a clock, then press Enter: it is kicked for "
            f"{SHOWS_S:.0f} s, and then no more",
        )
        bench.trying.permit(role, SHOWS_S)
        given = prompts.number(
            f"lapse {role}", f"How long did it stay on after {SHOWS_S:.0f} s? (60: it never went out)", "s", 0.0, 60.0
        )
        statistics[f"lapse_{role}_s"] = given
        values[f"pumps.{role}.permit_lapse_s"] = round(given + BY_EYE_S, 3)  # the longest that the film allows
        most_s = LONGER * permit.lapse_s + BY_EYE_S
        if given > most_s or given < LEAST_LAPSE_S - BY_EYE_S:
            goes = "nothing would stop this pump in time" if given > most_s else "it would cut a pump between two kicks"
            raise StepRefusedError(
                Kind.BRING_UP_PERMITS,
                Cause.LAPSE,
                f"the {role} pump's permit holds for {given:g} s, and its driver states {permit.lapse_s:g} s: {goes}",
                "Check the one-shot's resistor and capacitor, or state the lapse that it has",
            )
    for refusal in refusals(with_values(bench.config, values, where=bench.config.name)):
        raise StepRefusedError(Kind.BRING_UP_PERMITS, Cause.LAPSE, refusal.what, refusal.remedy)
    longest_s = max(statistics.values())
    return Found(f"every permit lapses, the slowest after {longest_s:.2g} s", values, statistics)


def turning(site: Site) -> Found:
    """Turn each pump for two seconds, hoses off, and ask which way it went."""
    bench, prompts = site.bench, site.prompts
    prompts.confirm(
        "motors-on",
        "Take the hoses out of every pump head, keep fingers, hair and sleeves away from the rollers, press the RCD's "
        "test button once and see it trip, then switch the motor supply on",
    )
    for role in bench.devices.pumps:
        prompts.confirm(f"watch {role}", f"Press Enter, and watch the {role} pump's rollers for {TURNS_S:.0f} s")
        bench.trying.turn(role, TURNS_S)
        towards = "from the vessel to the container" if role == "waste" else "towards the vessel"
        seen = choose(
            prompts, f"way {role}", f"Which way did it turn? Wanted: {towards}.", (towards, "the other way", "it stood")
        )
        if seen == 2:
            raise StepRefusedError(
                Kind.BRING_UP_TURNING,
                Cause.REVERSED,
                f"the {role} pump turns the wrong way: it would pump in the wrong direction",
                "Swap its two motor wires, or those of one coil of a stepper; or thread the hose the other way round",
            )
        if seen == 3:
            raise StepRefusedError(
                Kind.BRING_UP_TURNING,
                Cause.STANDS,
                f"the {role} pump does not turn with its permit and its drive on",
                "Check the motor supply, its fuse, the driver's enable and the second float's relay",
            )
    return Found("each pump turned the right way, hoses off")
