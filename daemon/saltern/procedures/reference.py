"""A reference on an inlet of its own: measured by itself, in triplicate, when it is due."""

from datetime import date, timedelta

import structlog

from saltern.config.tables import BenchConfig, Reference
from saltern.procedures.arithmetic import sample_per_run_ml
from saltern.procedures.standardise import EXTRA_TRIES, StandardiseOptions


class Unattended:
    """A guide with nobody behind it: what is said goes to the log, and nothing may be asked."""

    def __init__(self) -> None:
        self._log = structlog.get_logger("saltern.reference")

    def confirm(self, key: str, text: str) -> None:
        raise AssertionError(f"nobody is there to do it: {key}: {text}")

    def number(self, key: str, text: str, unit: str, low: float, high: float) -> float:
        raise AssertionError(f"nobody is there to read it: {key}: {text} ({unit}, {low} to {high})")

    def say(self, text: str) -> None:
        self._log.info("reference.said", text=text)

    def see(self, what: str, value: float, unit: str) -> None:
        self._log.info("reference.seen", what=what, value=value, unit=unit)


def is_due(reference: Reference, standardised_on: date | None, today: date) -> bool:
    """Return whether the reference is to be measured: never standardised, or longer ago than the keeper wants."""
    return standardised_on is None or today - standardised_on >= timedelta(days=reference.every_days)


def needs_ml(config: BenchConfig, reference: Reference) -> float:
    """Return the most that one standardisation takes of the reference."""
    return sample_per_run_ml(config) * (reference.times + EXTRA_TRIES)


def options_of(reference: Reference) -> StandardiseOptions:
    """Return what is known of it, for a standardisation without hands."""
    return StandardiseOptions(
        alkalinity_umol_kg=reference.alkalinity_umol_kg,
        u_umol_kg=reference.u_umol_kg,
        medium=reference.medium,
        times=reference.times,
        lot=reference.lot,
        expires=None if reference.expires is None else reference.expires.isoformat(),
        by_hand=False,
    )
