"""Every float, sensor and button is seen to cut: by hand, by water, without the computer, and in a run."""

from saltern.bench.bench import Bench
from saltern.bench.proof import trials
from saltern.errors import InterlockError
from saltern.model.calibration import Cause, Kind
from saltern.procedures.bring_up.dry import SAYS_SO_S
from saltern.procedures.bring_up.site import Found, Site, StepRefusedError, choose
from saltern.procedures.bring_up.water import fill_well, pour, wet_well
from saltern.procedures.notebook import Notebook
from saltern.procedures.vessel import empty

RUNS_S = 10.0
"""How long the sample pump turns at most, for a person who presses the stop button meanwhile."""

SECOND_S = 4.0
FLOWS_SHARE = 0.7
"""A stop that is pressed counts as seen where the pump gave less than so much of what was asked (assumed)."""


def floats(site: Site) -> Found:
    """Carry out the proof test, then let water lift the float, try the second float, and stop a running pump."""
    bench, notebook = site.bench, Notebook(site.bench)
    tried = _by_hand(site)
    wet_well(bench, notebook)
    empty(bench, notebook)
    for trial in (_second_float, _stop_a_running_pump):
        trial(site)
        fill_well(bench, notebook)  # what did not come counts as filled: so much that it does not matter
        empty(bench, notebook)
    _by_water(site, notebook)
    return Found(f"{tried} interlocks acted by hand, the float by water, the second alone, the stop in a run")


def _acting(bench: Bench) -> set[str]:
    bench.guard.scan()
    return {row.name for row in bench.guard.acting}


def _by_hand(site: Site) -> int:
    """Provoke each interlock as the proof test does; each outcome goes on record as one of its."""
    bench, prompts = site.bench, site.prompts
    tried = trials(bench.config)
    for trial in tried:
        prompts.confirm(f"provoke {trial.interlock}", f"{trial.provoke}, until you have pressed Enter")
        bench.wait(SAYS_SO_S)
        acted = trial.interlock in _acting(bench)
        prompts.confirm(f"put-back {trial.interlock}", trial.put_back)
        bench.wait(SAYS_SO_S)
        if acted:
            bench.guard.reset("bring-up")
        site.proved(trial.interlock, acted)
        if not acted:
            raise StepRefusedError(
                Kind.BRING_UP_FLOATS,
                Cause.FLOAT,
                f"{trial.interlock} did not act: {trial.provoke[0].lower()}{trial.provoke[1:]}",
                "What does not act does not protect: check its wire and its pin",
            )
    return len(tried)


def _second_float(site: Site) -> None:
    """Hold up the float that needs no computer, and let the sample pump be asked: it must stand."""
    bench, prompts = site.bench, site.prompts
    prompts.confirm("second-up", "Lift the second float alone, hold it up, press Enter and watch the sample pump")
    volume_ml = SECOND_S * bench.machine.rate_ml_s("sample")
    with bench.stage("fill", sample_ml=volume_ml):
        bench.add("sample", volume_ml)
    seen = choose(
        prompts, "second", "The service asked the sample pump to turn. What did it do?",
        ("it stood still", "it turned", "this bench has no second float"),
    )  # fmt: skip
    prompts.confirm("second-down", "Let the second float down")
    if seen != 1:
        raise StepRefusedError(
            Kind.BRING_UP_FLOATS,
            Cause.FLOAT,
            "the second float was held up, and the sample pump turned" if seen == 2 else "there is no second float",
            "Put it into the supply of sample and titrant: it is what cuts when the computer is wrong",
        )


def _stop_a_running_pump(site: Site) -> None:
    bench, prompts = site.bench, site.prompts
    prompts.confirm("stop-ready", "Press Enter, then, while the sample pump turns, press the stop button")
    volume_ml = RUNS_S * bench.machine.rate_ml_s("sample")
    cut = False
    try:
        with bench.stage("fill", sample_ml=volume_ml):
            bench.add("sample", volume_ml)
    except InterlockError as error:
        cut = error.interlock == "stop"
        if not cut:
            raise
    prompts.confirm("put-back stop", "Release the stop button")
    bench.wait(SAYS_SO_S)
    if "stop" in _acting(bench):
        bench.guard.reset("bring-up")
    if not cut:
        site.proved("stop", False)
        raise StepRefusedError(
            Kind.BRING_UP_FLOATS,
            Cause.STOP,
            f"the sample pump turned for {RUNS_S:.0f} s, and no stop button cut it",
            "Press it while the pump turns; if it was pressed, check its second pole and its pin",
        )


def _by_water(site: Site, notebook: Notebook) -> None:
    bench, prompts = site.bench, site.prompts
    pour(bench, bench.config.vessel.capacity_ml, "bring-up: water was poured in by hand, up to the float")
    prompts.confirm("pour-to-float", "Pour salted water into the vessel, slowly, until the overfill float lifts")
    acted = "overfill" in _acting(bench)
    drained = bench.drain()
    if acted:
        bench.guard.reset("bring-up")
    if not acted or not drained.proved:
        raise StepRefusedError(
            Kind.BRING_UP_FLOATS,
            Cause.FLOAT,
            "water stood up to the overfill float, and it did not act" if not acted else "what it held did not drain",
            "Check the float's height and whether it hangs free; measure switches and vessel heights again",
        )
