"""Which cause it is: what shape a change has, shared out among the causes that leave such a shape.

How likely a cause is beforehand, times how well what else is known agrees with it; all of them and "nothing" come to
one. The numbers before the evidence are assumed; they only order what the evidence leaves open.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import exp, hypot, sqrt

from saltern.running.instrument_signs import Sign
from saltern.tank.findings import BREAK_SD, NEAR_D, Cause, Circumstances, Weighing, Whose
from saltern.tank.history import History
from saltern.tank.shocks import Shock, Suspicion, Suspicions

TANK_CAUSES = frozenset(
    {
        Cause.CONSUMPTION_ROSE,
        Cause.CONSUMPTION_FELL,
        Cause.DOSE_MISSED,
        Cause.DOSE_EXCESS,
        Cause.DOSE_UNLOGGED,
        Cause.WATER_CHANGE_UNLOGGED,
        Cause.SALINITY_MOVED,
    }
)
Say = Callable[[float], str]
SHOWN_FROM = 0.01
COUNTS_FROM = 0.2
KINDS = (Shock.RATE, Shock.LEVEL, Shock.FACTOR, Shock.DRIFT)
RARE, SOME, USUAL = 0.01, 0.3, 1.0
BY_TITRANT = frozenset({Cause.TITRANT_TUBE_WORN, Cause.AIR_IN_TITRANT_LINE})
BY_SAMPLE = frozenset({Cause.SAMPLE_TUBE_WORN, Cause.AIR_IN_SAMPLE_LINE})


@dataclass(frozen=True)
class Suspect:
    """A cause with its probability, and what speaks for it and against."""

    cause: Cause
    probability: float
    evidence: tuple[str, ...]

    @property
    def whose(self) -> Whose:
        if self.cause is Cause.UNKNOWN:
            return Whose.CANNOT_TELL
        return Whose.TANK if self.cause in TANK_CAUSES else Whose.INSTRUMENT


def suspects(
    found: Suspicions, history: History, around: Circumstances, seen: Sequence[Sign], say: Say
) -> tuple[float, list[Suspect]]:
    """Return the probability that nothing has changed, and the causes, likeliest first.

    Parameters
    ----------
    found
        What shapes of a change the results allow.
    history, around, seen
        The tank's history, what else the records know, and what speaks against the instrument itself.
    say
        Writes a change in dKH in the keeper's unit, with its sign.
    """
    parts: dict[Cause, list[tuple[float, list[str]]]] = {
        Cause.UNKNOWN: [(found.probability(Shock.RESULT), ["one result alone lies off"])]
    }
    for kind in KINDS:
        likely = _likely(found.by_kind[kind], history, around, say)
        total = sum(weight for weight, _ in likely.values())
        for cause, (weight, words) in likely.items():
            parts.setdefault(cause, []).append((found.probability(kind) * weight / total, words))
    for sign in seen:
        parts.setdefault(sign.cause, []).append((found.nothing * sign.weight, [sign.seen]))
    whole = found.nothing + sum(weight for one in parts.values() for weight, _ in one)
    ranked = [Suspect(cause, sum(weight for weight, _ in one) / whole, _evidence(one)) for cause, one in parts.items()]
    return found.nothing / whole, sorted(ranked, key=lambda one: -one.probability)


def _evidence(parts: list[tuple[float, list[str]]]) -> tuple[str, ...]:
    """Return what speaks of a cause, from what makes it likely: what hardly counts would only confuse."""
    whole = sum(weight for weight, _ in parts)
    words = [word for weight, said in parts if weight >= COUNTS_FROM * whole for word in said]
    return tuple(dict.fromkeys(words))


Likely = dict[Cause, tuple[float, list[str]]]


def _likely(suspicion: Suspicion, history: History, around: Circumstances, say: Say) -> Likely:
    if suspicion.kind is Shock.RATE:
        return _of_rate(suspicion, history, say)
    if suspicion.kind is Shock.LEVEL:
        return _of_level(suspicion, history, around, say)
    return _of_volumes(suspicion, around)


def _of_rate(suspicion: Suspicion, history: History, say: Say) -> Likely:
    doser = [each for each in history.doser if each.at_d <= suspicion.since_d]
    rate = doser[-1].dkh_per_day if doser else 0.0
    a_day = f"the net rate changed by {say(-suspicion.size)} a day"
    if suspicion.size <= 0.0:
        more = SOME if rate > 0.0 else RARE
        return {Cause.CONSUMPTION_FELL: (USUAL, [a_day]), Cause.DOSE_EXCESS: (more, [a_day])}
    u = max(suspicion.u, 1e-6)
    wide = hypot(u, BREAK_SD[Shock.RATE])
    as_other = exp(-0.5 * (suspicion.size / wide) ** 2) / wide
    as_missed = 0.0
    words = [a_day, "no doser is known" if rate <= 0.0 else f"the doser gives {say(rate)} a day"]
    if rate > 0.0:
        as_missed = SOME * exp(-0.5 * ((suspicion.size - rate) / u) ** 2) / u
    return {Cause.CONSUMPTION_ROSE: (as_other + 1e-12, [a_day]), Cause.DOSE_MISSED: (as_missed, words)}


def _of_level(suspicion: Suspicion, history: History, around: Circumstances, say: Say) -> Likely:
    level = history.seen[-1].dkh
    step = f"a step of {say(suspicion.size)}"
    moved, alike = _salinity(suspicion, around, level)
    if suspicion.size > 0.0:
        near = any(abs(each.at_d - suspicion.since_d) < NEAR_D for each in history.doses)
        logged = "a dose is written down for then" if near else "no dose is written down for then"
        found: Likely = {
            Cause.DOSE_EXCESS: (USUAL if near else 0.05, [step, logged]),
            Cause.DOSE_UNLOGGED: (SOME if near else USUAL, [step, logged]),
            Cause.WATER_CHANGE_UNLOGGED: (0.2, [step, moved]),
        }
    else:
        found = {Cause.WATER_CHANGE_UNLOGGED: (USUAL, [step, moved])}
    return {**found, Cause.SALINITY_MOVED: (SOME * alike, [step, moved])}


def _salinity(suspicion: Suspicion, around: Circumstances, level: float) -> tuple[str, float]:
    """Return what salinity did then, in words, and how well a dilution or its contrary explains the step."""
    before = [each for each in around.salinity if suspicion.since_d - 1.0 <= each.at_d <= suspicion.since_d]
    after = [each for each in around.salinity if suspicion.since_d < each.at_d <= suspicion.since_d + 1.0]
    if not before or not after:
        return "salinity about then is not known", 0.1
    was, now = (sum(each.salinity for each in some) / len(some) for some in (before, after))
    u = hypot(before[0].u / sqrt(len(before)), after[0].u / sqrt(len(after))) / was
    moved, asked = now / was - 1.0, suspicion.size / level
    words = f"salinity moved by {100.0 * moved:+.1f} ± {200.0 * u:.1f} %"
    if abs(moved) < 2.0 * u:
        return words, 0.02
    return words, exp(-0.5 * ((asked - moved) / hypot(u, suspicion.u / level)) ** 2) + 1e-6


def _of_volumes(suspicion: Suspicion, around: Circumstances) -> Likely:
    """Share out what a wrong volume or strength does: a titrant pump that gives less makes results too high."""
    high = suspicion.size > 0.0
    if suspicion.kind is Shock.DRIFT:
        month = f"results drift by {3000.0 * suspicion.size:+.1f} % a month"
        used = {Cause.SAMPLE_TUBE_WORN: around.sample_tube_used, Cause.TITRANT_TUBE_WORN: around.titrant_tube_used}
        found: Likely = {
            cause: (
                max(0.02, life) * (USUAL if high is (cause is Cause.TITRANT_TUBE_WORN) else SOME),
                [month, f"its tube has {100.0 * life:.0f} % of its life behind it"],
            )
            for cause, life in used.items()
        }
        found[Cause.TITRANT_CHANGED] = (0.02 if high else 0.1, [month, "titrant that evaporates makes results fall"])
    else:
        step = f"results stepped by {100.0 * suspicion.size:+.1f} %"
        bottle = any(abs(each - suspicion.since_d) < NEAR_D for each in around.new_bottles_d)
        anew = any(abs(each - suspicion.since_d) < NEAR_D for each in around.recalibrations_d)
        found = {
            Cause.TITRANT_CHANGED: (USUAL if bottle else RARE, [step, _then(bottle, "a new bottle")]),
            Cause.RECALIBRATION: (USUAL if anew else RARE, [step, _then(anew, "a new calibration")]),
            Cause.FACTOR_MOVED: (SOME, [step]),
            Cause.AIR_IN_TITRANT_LINE: (0.15 if high else RARE, [step]),
            Cause.AIR_IN_SAMPLE_LINE: (RARE if high else 0.15, [step]),
        }
    return {cause: _weighed(cause, weight, words, suspicion, around) for cause, (weight, words) in found.items()}


def _then(it_was: bool, what: str) -> str:
    return f"{what} came into use then" if it_was else f"{what} is not on record for then"


def _weighed(
    cause: Cause, weight: float, words: list[str], suspicion: Suspicion, around: Circumstances
) -> tuple[float, list[str]]:
    """Weigh a cause by what the pumps gave by the balance after the change began."""
    for pump, weighings, to_blame, sign in (
        ("titrant", around.titrant_weighed, BY_TITRANT, -1.0),
        ("sample", around.sample_weighed, BY_SAMPLE, 1.0),
    ):
        for each in weighings:
            if each.at_d <= suspicion.since_d:
                continue
            days = each.at_d - suspicion.since_d if suspicion.kind is Shock.DRIFT else 1.0
            expected = sign * suspicion.size * days if cause in to_blame else 0.0
            weight *= _agrees(each, expected)
            words = [
                *words,
                f"weighed since, the {pump} pump gives {100.0 * each.excess:+.1f} ± {200.0 * each.u:.1f} %",
            ]
    return weight + 1e-15, words


def _agrees(weighing: Weighing, expected: float) -> float:
    return exp(-0.5 * ((weighing.excess - expected) / weighing.u) ** 2) + 1e-9
