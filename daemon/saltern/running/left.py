"""What the last process left: how it ended, and the determination that it did not live to finish."""

from saltern.bench.bench import Bench
from saltern.model.said_time import written_time
from saltern.records.store import Store
from saltern.running.alerting import Alerting
from saltern.running.measuring import Measuring
from saltern.running.probes import Probes
from saltern.running.upkeep import Upkeep


def take_up_what_was_left(
    bench: Bench, store: Store, alerting: Alerting, upkeep: Upkeep, probes: Probes, measuring: Measuring
) -> None:
    """Say how the last process ended, let its vessel be emptied, and keep what it had measured, as void."""
    if store.found:
        alerting.alert("records-damaged", store.found)
    upkeep.report_what_is_set_aside()
    if bench.state_lost:  # draining, too, waits for somebody who looks: the container may be full
        text = f"{bench.found}. The worst is assumed for vessel, titrant and waste until somebody has checked them"
        alerting.once("records-lost", text)  # its interlock stands
    elif bench.found_unclean:
        text = f"{bench.found}; nothing is measured before it is proved empty"
        alerting.alert("unclean-stop", text)
        probes.recover_when_it_can()
    draft = store.draft()
    if draft is not None:
        measuring.keep(draft)
        began = written_time(draft.started_at, bench.config.schedule.time_zone)
        text = f"the determination begun {began} was interrupted; it is kept as void"
        alerting.alert("interrupted", text)
