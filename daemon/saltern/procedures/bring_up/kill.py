"""The service is killed while the sample pump turns, and the pump must stop. The step goes on in the next life."""

from typing import NoReturn

from saltern.model.calibration import Cause, Kind
from saltern.procedures.bring_up.site import Found, Site, StepRefusedError
from saltern.procedures.bring_up.water import wet_well
from saltern.procedures.notebook import Notebook
from saltern.procedures.vessel import empty

RUNS_S = 40.0
"""Time to type the second command."""

REACTION_S = 1.0
"""A person with a watch errs by as much (assumed)."""


def kill(site: Site) -> Found:
    """Let the sample pump turn until somebody kills the service; after its restart, ask how long the pump went on."""
    if site.remembered() is None:
        _until_killed(site)
    return _after_it(site)


def _until_killed(site: Site) -> NoReturn:
    bench, prompts, notebook = site.bench, site.prompts, Notebook(site.bench)
    wet_well(bench, notebook)
    empty(bench, notebook)
    wet_well(bench, notebook)
    config = bench.config
    room_ml = 0.9 * config.vessel.volume_at_ml(config.vessel.overfill_switch_mm) - bench.ledger.vessel_ml.high
    volume_ml = min(RUNS_S * bench.machine.rate_ml_s("sample"), room_ml / (1.0 + 2.0 * bench.machine.gain_u("sample")))
    prompts.confirm(
        "kill-ready",
        "Type at a second terminal, without Enter: sudo systemctl kill -s KILL saltern. Press Enter here; when the "
        "sample pump turns, press it there, and see how long it goes on. When the service is back: saltern bring-up",
    )
    site.remember({"asked_ml": volume_ml})
    with bench.stage("fill", sample_ml=volume_ml):
        bench.add("sample", volume_ml)
    site.remember(None)
    empty(bench, notebook)
    raise StepRefusedError(
        Kind.BRING_UP_KILL,
        Cause.NOT_KILLED,
        f"the sample pump gave its {volume_ml:.0f} mL to the end: the service was not killed",
        "Have the second terminal ready before you press Enter",
    )


def _after_it(site: Site) -> Found:
    bench, prompts, notebook = site.bench, site.prompts, Notebook(site.bench)
    if not bench.found_unclean:
        site.remember(None)
        raise StepRefusedError(
            Kind.BRING_UP_KILL,
            Cause.NOT_KILLED,
            "the service was stopped in good order, or nothing moved when it was killed",
            "Kill it while the sample pump turns",
        )
    ran_on_s = prompts.number("ran-on", "How long did the pump go on after the kill?", "s", 0.0, 600.0)
    site.remember(None)
    stated_s = bench.machine.lapse_s("sample")
    if ran_on_s > stated_s + REACTION_S:
        raise StepRefusedError(
            Kind.BRING_UP_KILL,
            Cause.RAN_ON,
            f"the sample pump went on for {ran_on_s:g} s after the kill; its permit should hold for {stated_s:g} s",
            "Repair the one-shot of its permit before anything else: nothing would stop a pump if the computer hung",
        )
    wet_well(bench, notebook)
    empty(bench, notebook)
    return Found(f"killed in the middle of a fill, the pump stopped within {max(ran_on_s, 0.1):.2g} s",
                 statistics={"ran_on_s": ran_on_s})  # fmt: skip
