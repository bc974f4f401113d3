"""Liquid that runs by itself: the vessel is drained at rest as often as that can be proved, with an alert."""

from saltern.bench.bench import Bench, StopRequested
from saltern.bench.relief import LEVEL_ROWS
from saltern.errors import SalternError
from saltern.running.alerting import Alerting

DRAINED = "drained-at-rest"
ENDED = "not-drained-any-more"


def relieve(bench: Bench, alerting: Alerting) -> None:
    """Let the bench drain what runs in, and alert of what came of it; an operator's reset ends both alerts."""
    try:
        drained = bench.relieve()
    except StopRequested:
        raise
    except SalternError as error:
        bench.make_safe()
        alerting.alert(ENDED, f"liquid runs by itself, and its drain was stopped: {error}")
        return
    if drained is not None and drained.proved:
        alerting.alert(
            DRAINED,
            "there was liquid at the float or in the tray with all pumps at rest. The vessel was drained, and is "
            "drained again whenever its level rises. Find where the liquid comes from, then run `saltern reset`",
        )
    elif drained is not None:
        alerting.alert(
            ENDED,
            "there was liquid at the float or in the tray with all pumps at rest. A drain was not proved to empty the "
            "vessel, and there is not another: the vessel may run over. Come and look now, then run `saltern reset`",
        )
    elif not any(row.name in LEVEL_ROWS for row in bench.guard.acting):
        alerting.clear(DRAINED)
        alerting.clear(ENDED)
