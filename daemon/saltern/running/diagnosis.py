"""Tank or instrument: ranked causes with their evidence, the measurement that would decide best, and charts beside."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from typing import Any

import numpy as np

from saltern.chemistry.alkalinity_unit import said
from saltern.config.tables import BenchConfig
from saltern.errors import ConfigError
from saltern.model.codes import REASONS
from saltern.model.determination import Determination
from saltern.records.store import Store
from saltern.records.tank_history import Known, known
from saltern.records.tank_records import findings
from saltern.report.finding_words import written_near
from saltern.running.circumstances import circumstances
from saltern.running.instrument_signs import signs
from saltern.running.suspects import SHOWN_FROM, Suspect, suspects
from saltern.tank.charts import cusum, ewma, shewhart
from saltern.tank.findings import (
    NAMED_AT,
    NEAR_ONSET_D,
    OF_INSTRUMENT,
    OF_TANK,
    REVISED_FOR_D,
    TOLD_AT,
    Ask,
    Cause,
    Finding,
    Whose,
    breaks_of,
    cost_ml,
    in_force,
    what_to_ask,
)
from saltern.tank.history import History
from saltern.tank.shocks import suspicions

GONE_FROM = 0.5
"""A change that was reported is gone when it is likelier that nothing that matters has changed."""

ALL = (*OF_TANK, *OF_INSTRUMENT)

CUSUM_SLACK, CUSUM_LIMIT = 0.5, 5.0
"""k and h in standard deviations, for a shift of one (NIST/SEMATECH e-Handbook 6.3.2.3.1)."""

LATER = timedelta(seconds=1)
LOOKED_BACK = 60
NEXT: dict[Cause, Ask] = {
    Cause.SAMPLE_TUBE_WORN: Ask.WEIGH_SAMPLE,
    Cause.AIR_IN_SAMPLE_LINE: Ask.WEIGH_SAMPLE,
    Cause.TITRANT_TUBE_WORN: Ask.WEIGH_TITRANT,
    Cause.AIR_IN_TITRANT_LINE: Ask.WEIGH_TITRANT,
    Cause.TITRANT_CHANGED: Ask.REFERENCE,
    Cause.FACTOR_MOVED: Ask.REFERENCE,
    Cause.RECALIBRATION: Ask.REFERENCE,
    Cause.ELECTRODE_AGED: Ask.BUFFERS,
    Cause.ELECTRODE_OFFSET: Ask.BUFFERS,
    Cause.ELECTRODE_DEAD: Ask.BUFFERS,
    Cause.STIRRER: Ask.REPEAT,
    Cause.CELL_FOULED: Ask.CONDUCTIVITY_STANDARD,
    Cause.UNKNOWN: Ask.REPEAT,
}
"""What mends or settles a cause of the instrument's, once it is named."""


@dataclass(frozen=True)
class ControlChart:
    """One series with three charts; the values are in their own standard deviations."""

    of: str
    at: tuple[datetime, ...]
    values: tuple[float, ...]

    def as_json(self) -> dict[str, Any]:
        single = shewhart(self.values, 0.0, 1.0)
        moving = ewma(self.values, 0.0, 1.0)
        sums = cusum(self.values, 0.0, CUSUM_SLACK, CUSUM_LIMIT)
        return {
            "of": self.of,
            "at_utc": [at.isoformat(timespec="seconds") for at in self.at],
            "values": list(self.values),
            "shewhart": {"low": -3.0, "high": 3.0, "out": list(single.out)},
            "ewma": {
                "line": np.round(moving.line, 4).tolist(),
                "low": np.round(moving.low, 4).tolist(),
                "high": np.round(moving.high, 4).tolist(),
                "out": list(moving.out),
            },
            "cusum": {
                "above": np.round(sums.above, 4).tolist(),
                "below": np.round(sums.below, 4).tolist(),
                "limit": CUSUM_LIMIT,
                "out": list(sums.out),
            },
        }


@dataclass(frozen=True)
class Diagnosis:
    """What is thought at a moment.

    Attributes
    ----------
    at
        The newest result that counts.
    whose
        Tank or instrument at 0.9 and above, cannot-tell below; None where no change that matters is sure.
    probability
        That `whose` is right; of cannot-tell, that of the better alternative; of None, that no change matters.
    nothing
        The probability that nothing has changed.
    suspects
        The causes, likeliest first.
    ask, cost_ml
        What would decide best, or settle the cause that is named, and the water that it takes.
    since
        When the likeliest change began; None where nothing has changed.
    reported
        The findings that stand.
    near
        What was written down about then.
    determination
        The one that was asked about.
    charts
        Of references, and of what the tank's model did not expect.
    """

    at: datetime
    whose: Whose | None
    probability: float
    nothing: float
    suspects: tuple[Suspect, ...]
    ask: Ask | None
    cost_ml: float | None
    since: datetime | None
    reported: tuple[Finding, ...]
    near: tuple[str, ...]
    determination: tuple[int, Determination] | None
    charts: tuple[ControlChart, ...]
    known: Known


def diagnosis(store: Store, config: BenchConfig, now: datetime, number: int | None = None) -> Diagnosis | None:
    """Return what is thought now, or as it stood when a determination had come; None with too few results to say.

    Raises
    ------
    ConfigError
        The bench file has no table of the tank.
    StorageError
        There is no determination of this number.
    """
    tank = config.tank
    if tank is None:
        raise ConfigError("the bench file says nothing of the tank", where="[tank]", remedy="Give at least volume_l")
    asked = None if number is None else (number, store.determination(number))
    until = now if asked is None else asked[1].started_at + LATER
    found = known(store, config, tank, until)
    if found is None:
        return None
    history, priors = found.history, found.priors
    now_d = found.day_of(until)
    reported = in_force(findings(store, found, until))
    newest = reported[-1] if reported and now_d - reported[-1].at_d <= REVISED_FOR_D else None
    others = reported[:-1] if newest is not None else reported
    about = (None, None) if newest is None else (newest.since_d - NEAR_ONSET_D, newest.since_d + NEAR_ONSET_D)
    suspected = suspicions(history, priors, now_d, breaks_of(others), since_d=about[0], until_d=about[1])
    if suspected is None:
        return None
    around = circumstances(store, config, tank, found, until)
    last = [d for _, d in store.results(LOOKED_BACK) if d.source.value == "tank" and d.started_at <= until]
    say = partial(said, unit=config.alkalinity_unit, salinity=found.salinity, signed=True)
    nothing, ranked = suspects(suspected, history, around, signs(found.results, last), say)
    little = suspected.probability(*ALL) - suspected.matters(*ALL)
    whose, probability = _whose(nothing + max(0.0, little), ranked, told_before=newest is not None)
    ask = _ask(whose, ranked, lambda: what_to_ask(suspected, history))
    onset = max(suspected.by_kind.values(), key=lambda one: one.probability).since_d
    return Diagnosis(
        found.results[-1].started_at,
        whose,
        probability,
        nothing,
        tuple(one for one in ranked if one.probability >= SHOWN_FROM),
        ask,
        None if ask is None else cost_ml(ask, around),
        None if whose is None else found.time_of(onset),
        tuple(reported),
        () if whose is None else tuple(written_near(store.logged(found.midnight), found.time_of(onset))),
        asked,
        (*_references(history, found), _innovations(suspected.innovations, found)),
        found,
    )


def _whose(nothing: float, ranked: list[Suspect], *, told_before: bool) -> tuple[Whose | None, float]:
    """Return whose change it is; `nothing` is the probability that none matters."""
    of_tank = sum(one.probability for one in ranked if one.whose is Whose.TANK)
    of_instrument = sum(one.probability for one in ranked if one.whose is Whose.INSTRUMENT)
    if nothing >= (GONE_FROM if told_before else 1.0 - TOLD_AT):
        return None, nothing
    share = of_tank / max(of_tank + of_instrument, 1e-12)
    alone = max((one.probability for one in ranked if one.whose is Whose.CANNOT_TELL), default=0.0)
    if alone > of_tank + of_instrument or 1.0 - NAMED_AT < share < NAMED_AT:
        return Whose.CANNOT_TELL, max(share, 1.0 - share)
    return (Whose.TANK, share) if share >= NAMED_AT else (Whose.INSTRUMENT, 1.0 - share)


def _ask(whose: Whose | None, ranked: list[Suspect], tells_best: Any) -> Ask | None:
    if whose is None or whose is Whose.TANK:
        return None
    if whose is Whose.CANNOT_TELL:
        asked: Ask = tells_best()
        return asked
    return NEXT.get(ranked[0].cause, Ask.REFERENCE)


def _references(history: History, found: Known) -> tuple[ControlChart, ...]:
    if not history.references:
        return ()
    at = tuple(found.time_of(each.at_d) for each in history.references)
    return (ControlChart("references", at, tuple(each.excess / each.u for each in history.references)),)


def _innovations(values: Any, found: Known) -> ControlChart:
    """Return what the model did not expect, of those results of which it expected something."""
    of = found.results[-len(values) :] if len(values) else ()
    known_of = [(d.started_at, float(value)) for d, value in zip(of, values, strict=True) if np.isfinite(value)]
    return ControlChart("innovations", tuple(at for at, _ in known_of), tuple(value for _, value in known_of))


def as_json(found: Diagnosis) -> dict[str, Any]:
    """Return a diagnosis in public words; causes and "nothing" come to one, but for what is too rare to be listed."""
    asked = found.determination
    return {
        "schema_version": 1,
        "at_utc": found.at.isoformat(timespec="seconds"),
        "is": None if found.whose is None else found.whose.value,
        "probability": found.probability,
        "nothing": found.nothing,
        "since_utc": None if found.since is None else found.since.isoformat(timespec="seconds"),
        "causes": [
            {
                "cause": one.cause.value,
                "is": one.whose.value,
                "probability": one.probability,
                "evidence": list(one.evidence),
            }
            for one in found.suspects
        ],
        "ask": None if found.ask is None else found.ask.value,
        "cost_ml": found.cost_ml,
        "findings": [
            {
                "id": one.id,
                "at_utc": found.known.time_of(one.at_d).isoformat(timespec="seconds"),
                "is": one.whose.value,
                "cause": one.cause.value,
            }
            for one in found.reported
        ],
        "written_down_near": list(found.near),
        "determination": None
        if asked is None
        else {
            "id": asked[0],
            "verdict": asked[1].alkalinity.verdict.value,
            "reasons": [
                {"reason": reason.value, "means": REASONS[reason].means, "do": REASONS[reason].do}
                for reason in asked[1].alkalinity.reasons
            ],
        },
        "charts": [one.as_json() for one in found.charts],
    }
