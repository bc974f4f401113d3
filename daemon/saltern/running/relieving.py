"""Liquid that runs by itself: the vessel is drained at rest as often as that can be proved, and the keeper is told."""

from typing import TYPE_CHECKING

from saltern.bench.bench import StopRequested
from saltern.bench.relief import LEVEL_ROWS
from saltern.errors import SalternError
from saltern.model.alert import Severity

if TYPE_CHECKING:
    from saltern.running.service import Service

DRAINED, ENDED = "drained-at-rest", "not-drained-any-more"


def relieve(service: "Service") -> None:
    """Let the bench drain what runs in, and tell what came of it; an operator's reset ends both alerts."""
    try:
        drained = service.bench.relieve()
    except StopRequested:
        raise
    except SalternError as error:
        service.bench.make_safe()
        service._alert(Severity.ALERT, ENDED, f"liquid runs by itself, and its drain was stopped: {error}")
        return
    if drained is not None and drained.proved:
        service._alert(
            Severity.ALERT,
            DRAINED,
            "liquid stood at the float or in the tray with everything at rest. The vessel was drained, and is drained "
            "again whenever its level rises. Find where the liquid comes from, then reset",
        )
    elif drained is not None:
        service._alert(
            Severity.ALERT,
            ENDED,
            "liquid stood at the float or in the tray with everything at rest. A drain was not proved to empty the "
            "vessel, and there is not another: the vessel may run over. Come and look now, then reset",
        )
    elif not any(row.name in LEVEL_ROWS for row in service.bench.guard.acting):
        service.alerting.clear(DRAINED)
        service.alerting.clear(ENDED)
