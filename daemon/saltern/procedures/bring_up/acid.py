"""Only now acid: the bottle of titrant in its place, both lines primed, and the acid seen to come."""

from saltern.bench import bookkeeping
from saltern.model.calibration import Cause, Kind
from saltern.procedures.bring_up.site import Found, Site, StepRefusedError
from saltern.procedures.bring_up.water import ACID_SHOWS_MV, acid_shows_mv
from saltern.procedures.notebook import Notebook
from saltern.procedures.vessel import empty, keep_wet, wet_the_probes

BUFFERED_MV = 200.0
"""Tank water of 2.4 mmol/kg alkalinity gives way by 130 mV (pH 8 to 6) where this much acid comes; water without any
falls below pH 3.5, by 270 mV and more."""


def acid(site: Site) -> Found:
    """Take up titrant and tank water; the electrode says whether it is acid that comes."""
    bench, prompts, notebook = site.bench, site.prompts, Notebook(site.bench)
    prompts.say(
        "The titrant is dilute acid: goggles and gloves on, its label and safety data sheet read, water and a cloth at "
        "hand. A pump head that is opened while its hose is full siphons: clamp the hose first."
    )
    prompts.confirm("inlet-back", "Put the sample inlet into the tank, rinsed")
    wet_the_probes(bench, notebook)
    empty(bench, notebook)
    keep_wet(bench, notebook)  # several lines' content: what stood in this one is gone then
    empty(bench, notebook)
    prompts.confirm(
        "acid-in", "Put the titrant inlet into the full bottle of titrant, which must be lower than the tip"
    )
    full = bookkeeping.bottle_replaced(bench.ledger, bench.config.titrant.bottle_ml)
    bench.note(full, "bring-up: a full bottle of titrant")
    wet_the_probes(bench, notebook)
    moved_mv = acid_shows_mv(bench)
    if moved_mv < ACID_SHOWS_MV:
        raise StepRefusedError(
            Kind.BRING_UP_ACID,
            Cause.NO_ACID,
            f"the titrant pump moved the electrode by {moved_mv:.0f} mV: what it draws is not acid",
            "Check that its inlet is in the titrant and its outlet in the vessel",
        )
    if moved_mv > BUFFERED_MV:
        raise StepRefusedError(
            Kind.BRING_UP_ACID,
            Cause.NOT_TANK_WATER,
            f"the acid moved the electrode by {moved_mv:.0f} mV: what stands in the vessel has no alkalinity",
            "Put the sample inlet into the tank: it may hang in the bucket still. The next run drains first",
        )
    empty(bench, notebook)
    keep_wet(bench, notebook)
    empty(bench, notebook, "empty what was primed")
    keep_wet(bench, notebook)
    return Found(f"both lines are full, and acid comes: {moved_mv:+.0f} mV", statistics={"acid_mv": moved_mv})
