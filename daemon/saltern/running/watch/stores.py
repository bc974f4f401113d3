"""Titrant and waste: what is left, and what room there is."""

from collections.abc import Iterator

from saltern.config.tables import BenchConfig
from saltern.model.ledger import Ledger
from saltern.procedures.arithmetic import titrant_per_run_ml
from saltern.running.watch.watched import Watched


def of_stores(config: BenchConfig, ledger: Ledger) -> Iterator[Watched]:
    """Check titrant and waste, by the side of the ledger's interval that is the worse."""
    a_day_ml = config.schedule.starts_per_day * titrant_per_run_ml(config, config.expected_dkh or 7.0)
    days_left = ledger.titrant_left_ml.low / a_day_ml
    yield Watched(
        days_left < config.alerts.titrant_days,
        "titrant-low",
        f"titrant for about {days_left:.0f} days is left: have a bottle ready",
    )
    container_ml = config.waste.container_ml
    yield Watched(
        ledger.waste_ml.high > config.alerts.waste_part * (container_ml - config.vessel.capacity_ml),
        "waste-nearly-full",
        f"the waste container may hold {ledger.waste_ml.high / 1000:.1f} of {container_ml / 1000:.1f} L: empty it, and "
        "check the waste line's end if there is much less in it",
    )
