"""Was it the tank or the instrument: what a suspicion means, which measurement would decide it, and what is taken back.

`shocks` says what shape a change has. The tank and the instrument leave the same shape in results; references, and the
electrode's offset that each titration fits, distinguish them, and are in the model. What else is known of the bench and
the keeper's log (`Circumstances`) distinguishes causes within a group.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from heapq import merge
from itertools import repeat
from math import erf, exp, hypot, log, sqrt

from saltern.tank.history import History, Priors
from saltern.tank.model import Break, Kind
from saltern.tank.shocks import Shock, Suspicion, Suspicions, follow

TOLD_AT = 0.9
"""A change is reported when it is so probable that there was one that matters."""

RATE_TOLD_AT, RATE_TOLD_AT_MOST, LATER_BY_OWN = 0.55, 0.8, 0.1
"""One of the consumption is reported sooner, for each hour counts and a tank that wanders hides it.

The coarser the results, the surer: tuned to about one false alarm a year by `tests/benchmarks/tank.py`.
"""

NAMED_AT = 0.9
"""Tank or instrument is named when it is so probable."""

TAKEN_BACK_BELOW = 0.25
"""A finding does not stand where what it says is less probable than this."""

RULED_OUT_BELOW = 0.02
"""A rate that has come to be less probable than this was something else."""

REPLACED_FROM = 0.5
"""What is said instead is likelier than not."""

SURELY_LARGE = 2.0
"""Tank or instrument is named when a change is large enough by so many of its standard uncertainties."""

NEAR_D = 0.5
"""A thing done so near a change's onset may be its cause."""

DOUBTED_FOR_D = 7.0
REVISED_FOR_D = 10.0
NEAR_ONSET_D = 1.0
"""A finding is looked at again from so long before its onset to so long after: what came later is another change."""

RUNS_OF_A_REFERENCE = 3
"""A triplicate."""

KIT_U_DKH = 0.3
REFERENCE_U = 0.003
DAYS_A_MONTH = 30.0


USUAL_OWN_DKH = 0.0092
"""Of a good instrument: 3.2 umol/kg."""


class Whose(StrEnum):
    TANK = "tank"
    INSTRUMENT = "instrument"
    CANNOT_TELL = "cannot-tell"


class Cause(StrEnum):
    """A closed list."""

    CONSUMPTION_ROSE = "consumption-rose"
    CONSUMPTION_FELL = "consumption-fell"
    DOSE_MISSED = "dose-missed"
    DOSE_EXCESS = "dose-excess"
    DOSE_UNLOGGED = "dose-unlogged"
    WATER_CHANGE_UNLOGGED = "water-change-unlogged"
    SALINITY_MOVED = "salinity-moved"
    SAMPLE_TUBE_WORN = "sample-tube-worn"
    TITRANT_TUBE_WORN = "titrant-tube-worn"
    TITRANT_CHANGED = "titrant-changed"
    FACTOR_MOVED = "factor-moved"
    AIR_IN_TITRANT_LINE = "air-in-titrant-line"
    AIR_IN_SAMPLE_LINE = "air-in-sample-line"
    ELECTRODE_AGED = "electrode-aged"
    ELECTRODE_OFFSET = "electrode-offset"
    ELECTRODE_DEAD = "electrode-dead"
    STIRRER = "stirrer"
    CELL_FOULED = "cell-fouled"
    TEMPERATURE_SENSOR = "temperature-sensor"
    CARRY_OVER = "carry-over"
    RECALIBRATION = "recalibration"
    UNKNOWN = "unknown"


class Ask(StrEnum):
    """The measurement that would decide it: a closed list."""

    REFERENCE = "reference"
    REPEAT = "repeat"
    WEIGH_TITRANT = "weigh-titrant"
    WEIGH_SAMPLE = "weigh-sample"
    BUFFERS = "buffers"
    CONDUCTIVITY_STANDARD = "conductivity-standard"
    TRIS = "tris"
    KIT_TEST = "kit-test"
    WAIT = "wait"


@dataclass(frozen=True)
class Weighing:
    """What a pump gave by the balance over what it should have given, less one; since its calibration."""

    at_d: float
    excess: float
    u: float


@dataclass(frozen=True)
class SalinitySeen:
    at_d: float
    salinity: float
    u: float


@dataclass(frozen=True)
class Circumstances:
    """What else is known.

    Parameters
    ----------
    new_bottles_d, recalibrations_d
        When another titrant or another calibration came into use.
    sample_tube_used, titrant_tube_used
        Parts of their lives that the tubes have behind them; 1 is due.
    titrant_weighed, sample_weighed
        Weighings of what the pumps give.
    salinity
        The tank's, as far back as is known.
    a_run_ml
        What one determination takes of the tank's water.
    """

    new_bottles_d: tuple[float, ...] = ()
    recalibrations_d: tuple[float, ...] = ()
    sample_tube_used: float = 0.5
    titrant_tube_used: float = 0.5
    titrant_weighed: tuple[Weighing, ...] = ()
    sample_weighed: tuple[Weighing, ...] = ()
    salinity: tuple[SalinitySeen, ...] = ()
    a_run_ml: float = 200.0


@dataclass(frozen=True)
class Finding:
    """What is reported.

    Attributes
    ----------
    id
        Its number, from 1.
    at_d, since_d
        When it is reported, and when the change most likely began.
    whose, cause
        From closed lists.
    probability
        That `whose` is right; of `cannot-tell`, that of the best alternative.
    size, u, unit
        Positive: consumption up, dose too much, result too high.
    supersedes
        The number of the finding that it replaces.
    ask, cost_ml
        The measurement that would decide it, and what of the tank's or the reference's water that takes.
    shape
        What the change looks like in results; None for one that is taken back.
    """

    id: int
    at_d: float
    since_d: float
    whose: Whose
    cause: Cause
    probability: float
    size: float
    u: float
    unit: str
    supersedes: int | None
    ask: Ask | None
    cost_ml: float | None
    shape: Shock | None

    def as_json(self) -> dict[str, object]:
        """Return the finding in public words; times in hours of the history."""
        return {
            "id": self.id,
            "at_h": 24.0 * self.at_d,
            "since_h": 24.0 * self.since_d,
            "is": self.whose.value,
            "cause": self.cause.value,
            "probability": self.probability,
            "size": self.size,
            "unit": self.unit,
            "supersedes": self.supersedes,
            "ask": None if self.ask is None else self.ask.value,
            "cost_ml": self.cost_ml,
        }


OF_TANK = (Shock.RATE, Shock.LEVEL)
OF_INSTRUMENT = (Shock.FACTOR, Shock.DRIFT)
OTHER_THAN = {Whose.TANK: OF_INSTRUMENT, Whose.INSTRUMENT: OF_TANK}
UNITS = {Shock.RATE: "dKH/day", Shock.LEVEL: "dKH", Shock.FACTOR: "%", Shock.DRIFT: "%/month"}
IN_UNIT = {Shock.RATE: 1.0, Shock.LEVEL: 1.0, Shock.FACTOR: 100.0, Shock.DRIFT: 100.0 * DAYS_A_MONTH}
BREAK_OF = {Shock.RATE: Kind.RATE, Shock.LEVEL: Kind.LEVEL, Shock.FACTOR: Kind.FACTOR, Shock.DRIFT: Kind.DRIFT}
BREAK_SD = {Shock.RATE: 0.35, Shock.LEVEL: 0.5, Shock.FACTOR: 0.06, Shock.DRIFT: 0.0013}
NAMED_FROM = {
    Shock.RATE: (0.2, 0.27),
    Shock.LEVEL: (0.15, 0.34),
    Shock.FACTOR: (0.008, 0.88),
    Shock.DRIFT: (0.025 / DAYS_A_MONTH, 0.58),
}
"""What the data allow to know: a size at a good instrument, and the power of a result's own u by which it grows.

From many simulated tanks: 0.2 dKH/day, 0.15 dKH, 0.8 % and 2.5 %/month at 3.2 umol/kg; 0.3, 0.25, 3 and 6 at 14.3.
"""

TOGETHER = {
    Shock.RATE: (Shock.RATE, Shock.DRIFT),
    Shock.LEVEL: (Shock.LEVEL, Shock.FACTOR),
    Shock.FACTOR: (Shock.LEVEL, Shock.FACTOR),
    Shock.DRIFT: (Shock.RATE, Shock.DRIFT),
}
"""What looks alike in results."""


def look(
    history: History, priors: Priors, at_d: float, reported: Sequence[Finding], around: Circumstances
) -> Finding | None:
    """Return what is to be reported at a moment, if anything: a new finding, or one that replaces an earlier one.

    Parameters
    ----------
    history, priors, around
        What is known; nothing later than `at_d` counts.
    at_d
        The moment.
    reported
        Everything that has been reported, in its order.
    """
    newest = max((each.at_d for each in history.seen if each.at_d <= at_d), default=None)
    return None if newest is None else _next(history, priors, newest, at_d, reported, around)


def looks(
    history: History, priors: Priors, from_d: float, to_d: float, reported: Sequence[Finding], around: Circumstances
) -> list[Finding]:
    """Return all that is to be reported after the results of a time, each as it stood when its result had come.

    Parameters
    ----------
    history, priors, reported, around
        As `look` takes them.
    from_d, to_d
        The first and last moment. This is the same as to `look` after each result, in far fewer passes.
    """
    found: list[Finding] = []
    for each in history.seen:
        if each.at_d < from_d or each.at_d > to_d or (found and each.at_d <= found[-1].at_d):
            continue
        finding = _next(history, priors, each.at_d, to_d, [*reported, *found], around)
        if finding is None:
            break
        found.append(finding)
    return found


_Say = Callable[[Suspicions, History], Finding | None]


def _next(
    history: History, priors: Priors, from_d: float, to_d: float, reported: Sequence[Finding], around: Circumstances
) -> Finding | None:
    """Return the first thing that is to be reported after the results of a time."""
    standing, number = in_force(reported), len(reported) + 1
    looks_at: list[tuple[Iterator[Suspicions], _Say]] = []  # of one moment the first counts
    if standing and from_d - standing[-1].at_d <= REVISED_FOR_D:
        newest = standing[-1]
        until = min(to_d, newest.at_d + REVISED_FOR_D)

        def without(findings: int) -> Iterator[Suspicions]:
            begin, end = standing[-findings].since_d - NEAR_ONSET_D, newest.since_d + NEAR_ONSET_D
            others = breaks_of(standing[:-findings])
            return follow(history, priors, from_d, until, others, since_d=begin, until_d=end)

        if len(standing) > 1 and _undoes(newest, standing[-2]):
            looks_at.append((without(2), lambda found, _: _was_one_step(found, newest, number)))
        looks_at.append((without(1), lambda found, then: _revised(found, then, newest, around, number)))
    since = max((each.at_d for each in reported if each.supersedes is None), default=None)
    anew = follow(history, priors, from_d, to_d, breaks_of(standing), since_d=since)
    looks_at.append((anew, lambda found, then: _new(found, then, around, number)))
    each_with_its_say = (zip(found, repeat(say), strict=False) for found, say in looks_at)
    for found, say in merge(*each_with_its_say, key=lambda one: one[0].at_d):
        finding = say(found, history.until(found.at_d))
        if finding is not None:
            return finding
    return None


def _new(found: Suspicions, history: History, around: Circumstances, number: int) -> Finding | None:
    return _finding(found, history, around, number, None) if _is_told(found, history) else None


def _is_told(found: Suspicions, history: History) -> bool:
    coarse = max(0.0, history.seen[-1].u_own_dkh / USUAL_OWN_DKH - 1.0)
    at = min(RATE_TOLD_AT_MOST, RATE_TOLD_AT + LATER_BY_OWN * coarse)
    if 1.0 - found.nothing < at:  # most often so, and much sooner known
        return False
    return found.matters(Shock.RATE) >= at or found.matters(*OF_TANK, *OF_INSTRUMENT) >= TOLD_AT


def _undoes(newer: Finding, older: Finding) -> bool:
    """Return whether two changes of the consumption leave it as it was."""
    rates = newer.shape is Shock.RATE and older.shape is Shock.RATE
    return rates and abs(newer.size + older.size) < 2.0 * hypot(newer.u, older.u)


def _was_one_step(found: Suspicions, newest: Finding, number: int) -> Finding | None:
    """Take back the newer of two rates that undo each other, if without both it was a step; the older one is next."""
    something = found.probability(*OF_TANK, *OF_INSTRUMENT)
    if found.probability(Shock.RATE) >= TAKEN_BACK_BELOW or something < NAMED_AT:
        return None
    return _taken_back(found, newest, 1.0 - found.probability(Shock.RATE), number)


def _taken_back(found: Suspicions, newest: Finding, probability: float, number: int) -> Finding:
    return Finding(
        number, found.at_d, newest.since_d, Whose.CANNOT_TELL, Cause.UNKNOWN, probability, 0.0, 0.0, newest.unit,
        newest.id, None, None, None,
    )  # fmt: skip


def in_force(reported: Sequence[Finding]) -> list[Finding]:
    """Return the findings that stand: neither replaced nor taken back."""
    gone = {each.supersedes for each in reported}
    return [each for each in reported if each.id not in gone and each.shape is not None]


def doubted(reported: Sequence[Finding], history: History, at_d: float) -> list[Finding]:
    """Return the findings that stand and bear on advice: none from before the newest factor, and none of a week ago."""
    since_factor = max((each.at_d for each in history.factors if each.at_d <= at_d), default=0.0)
    return [each for each in in_force(reported) if each.since_d > since_factor and at_d - each.at_d <= DOUBTED_FOR_D]


def breaks_of(standing: Sequence[Finding]) -> tuple[Break, ...]:
    """Return how the model allows for what has been reported; what cannot be distinguished is allowed for as either."""
    found = []
    for each in standing:
        dosed = each.cause not in (Cause.WATER_CHANGE_UNLOGGED, Cause.SALINITY_MOVED)
        found += [
            Break(each.since_d + 1e-4, BREAK_OF[shape], BREAK_SD[shape], dosed and shape is Shock.LEVEL)
            for shape in shapes_of(each)
        ]
    return tuple(found)


def shapes_of(finding: Finding) -> tuple[Shock, ...]:
    """Return what a finding says may have changed: all that looks alike while tank or instrument is not named."""
    if finding.shape is None:
        return ()
    return TOGETHER[finding.shape] if finding.whose is Whose.CANNOT_TELL else (finding.shape,)


def _revised(
    found: Suspicions, history: History, newest: Finding, around: Circumstances, number: int
) -> Finding | None:
    """Look again at the newest finding; say only what is different now.

    A step may look like a rate by its first result. Left so, it would be taken for granted with what must undo it: the
    opposite rate, soon after, for which the tank would be named. A name that a reference contradicts goes even where
    the change is too small for the other name.
    """
    probability = found.probability(*OF_TANK, *OF_INSTRUMENT)
    if probability < TAKEN_BACK_BELOW:
        return _taken_back(found, newest, 1.0 - probability, number)
    if _is_contradicted(found, history, newest):
        return _finding(found, history, around, number, newest.id)
    if probability < NAMED_AT:
        return None
    now = _finding(found, history, around, number, newest.id)
    if now.whose is newest.whose or now.whose is Whose.CANNOT_TELL:
        return None
    return now


def _is_contradicted(found: Suspicions, history: History, newest: Finding) -> bool:
    """Return whether what came since says that it was something else.

    A name was sure by the results that there were, and noise in the next few is no reason to drop it: only a reference
    makes it go where the other side is likelier than not. By results alone it is the other name that replaces it, or
    that a rate has long ended: what looked like one was a step.
    """
    something = found.probability(*OF_TANK, *OF_INSTRUMENT)
    if newest.whose is Whose.CANNOT_TELL:
        as_said = found.probability(*shapes_of(newest))
        return as_said < TAKEN_BACK_BELOW and something - as_said >= REPLACED_FROM
    if newest.shape is Shock.RATE and found.probability(Shock.RATE) < RULED_OUT_BELOW and something >= NAMED_AT:
        return True
    came = [*(each.at_d for each in history.references), *(each.at_d for each in history.factors)]
    referred = any(at_d > newest.at_d for at_d in came)
    return referred and found.probability(*OTHER_THAN[newest.whose]) >= REPLACED_FROM


def _finding(
    found: Suspicions, history: History, around: Circumstances, number: int, supersedes: int | None
) -> Finding:
    of_tank, of_instrument = found.probability(*OF_TANK), found.probability(*OF_INSTRUMENT)
    whose = Whose.TANK if of_tank >= NAMED_AT else Whose.INSTRUMENT if of_instrument >= NAMED_AT else Whose.CANNOT_TELL
    kinds = {Whose.TANK: OF_TANK, Whose.INSTRUMENT: OF_INSTRUMENT}.get(whose, (*OF_TANK, *OF_INSTRUMENT))
    best = max((found.by_kind[kind] for kind in kinds), key=lambda each: each.probability)
    if not _large_enough(best, history):
        whose = Whose.CANNOT_TELL
    if whose is Whose.TANK:
        cause = _tank_cause(best, history, around)
    elif whose is Whose.INSTRUMENT:
        cause = _instrument_cause(best, around)
    else:
        cause = Cause.UNKNOWN
    ask = what_to_ask(found, history) if whose is Whose.CANNOT_TELL else None
    in_unit = IN_UNIT[best.kind]
    return Finding(
        number,
        found.at_d,
        best.since_d,
        whose,
        cause,
        best.probability if whose is Whose.CANNOT_TELL else max(of_tank, of_instrument),
        best.size * in_unit,
        best.u * in_unit,
        UNITS[best.kind],
        supersedes,
        ask,
        None if ask is None else cost_ml(ask, around),
        best.kind,
    )


def _large_enough(best: Suspicion, history: History) -> bool:
    """Return whether a change is surely as large as results can distinguish from what else moves them."""
    size, power = NAMED_FROM[best.kind]
    own = max(1.0, history.seen[-1].u_own_dkh / USUAL_OWN_DKH)
    least: float = size * own**power
    return abs(best.size) - SURELY_LARGE * best.u >= least


def _tank_cause(best: Suspicion, history: History, around: Circumstances) -> Cause:
    level = history.seen[-1].dkh
    if best.kind is Shock.LEVEL:
        moved = _salinity_moved(best.since_d, around)
        if moved is not None and abs(moved[0]) > 3.0 * moved[1]:
            alike = abs(best.size / level - moved[0]) < 2.0 * hypot(best.u / level, moved[1])
            return Cause.SALINITY_MOVED if alike else Cause.WATER_CHANGE_UNLOGGED
        if best.size < 0.0:
            return Cause.WATER_CHANGE_UNLOGGED
        logged = any(abs(each.at_d - best.since_d) < NEAR_D for each in history.doses)
        return Cause.DOSE_EXCESS if logged else Cause.DOSE_UNLOGGED
    rate = next((each.dkh_per_day for each in reversed(history.doser) if each.at_d <= best.since_d), 0.0)
    if best.size > 0.0:
        return Cause.DOSE_MISSED if rate > 0.0 and _fits(best, rate) else Cause.CONSUMPTION_ROSE
    return Cause.CONSUMPTION_FELL


def _fits(best: Suspicion, rate: float) -> bool:
    """Return whether a fall at the whole rate of the doser explains it better than any other change would."""
    as_missed = exp(-0.5 * ((best.size - rate) / best.u) ** 2) / best.u
    wide = hypot(best.u, BREAK_SD[Shock.RATE])
    return as_missed > exp(-0.5 * (best.size / wide) ** 2) / wide


def _salinity_moved(since_d: float, around: Circumstances) -> tuple[float, float] | None:
    """Return by how much salinity moved about then, relative, with its uncertainty; None where too little is known."""
    before = [each for each in around.salinity if since_d - 1.0 <= each.at_d <= since_d]
    after = [each for each in around.salinity if since_d < each.at_d <= since_d + 1.0]
    if not before or not after:
        return None
    was = sum(each.salinity for each in before) / len(before)
    now = sum(each.salinity for each in after) / len(after)
    u = hypot(before[0].u / sqrt(len(before)), after[0].u / sqrt(len(after))) / was
    return now / was - 1.0, u


AIR_BEFORE = 0.15
MOVED_BEFORE = 0.3
DONE_JUST_THEN, NOT_DONE = 1.0, 0.01
"""How likely causes of a step are before they are weighed (assumed): what was done just then is the first suspect."""


def _instrument_cause(best: Suspicion, around: Circumstances) -> Cause:
    """Return the likeliest cause: how likely it was before, times how well weighings agree with it."""
    if best.kind is Shock.DRIFT:
        likely = {
            Cause.SAMPLE_TUBE_WORN: around.sample_tube_used,
            Cause.TITRANT_TUBE_WORN: around.titrant_tube_used,
        }
    else:
        bottle = any(abs(each - best.since_d) < NEAR_D for each in around.new_bottles_d)
        anew = any(abs(each - best.since_d) < NEAR_D for each in around.recalibrations_d)
        likely = {
            Cause.TITRANT_CHANGED: DONE_JUST_THEN if bottle else NOT_DONE,
            Cause.RECALIBRATION: DONE_JUST_THEN if anew else NOT_DONE,
            Cause.FACTOR_MOVED: MOVED_BEFORE,
            Cause.AIR_IN_TITRANT_LINE: AIR_BEFORE if best.size > 0.0 else NOT_DONE,
            Cause.AIR_IN_SAMPLE_LINE: AIR_BEFORE if best.size < 0.0 else NOT_DONE,
        }
    titrant_to_blame = {Cause.TITRANT_TUBE_WORN, Cause.AIR_IN_TITRANT_LINE}
    sample_to_blame = {Cause.SAMPLE_TUBE_WORN, Cause.AIR_IN_SAMPLE_LINE}
    size = best.size
    for cause in likely:
        for each in around.titrant_weighed:
            if each.at_d > best.since_d:
                by_now = size * (each.at_d - best.since_d) if best.kind is Shock.DRIFT else size
                likely[cause] *= _agrees(each, -by_now if cause in titrant_to_blame else 0.0)
        for each in around.sample_weighed:
            if each.at_d > best.since_d:
                by_now = size * (each.at_d - best.since_d) if best.kind is Shock.DRIFT else size
                likely[cause] *= _agrees(each, by_now if cause in sample_to_blame else 0.0)
    return max(likely, key=lambda cause: likely[cause])


def _agrees(weighing: Weighing, expected: float) -> float:
    return exp(-0.5 * ((weighing.excess - expected) / weighing.u) ** 2) + 1e-12


def what_to_ask(found: Suspicions, history: History) -> Ask:
    """Return the measurement after which one is likeliest to be right, of those that are worth making.

    For each, two Gaussians as far apart as its outcomes would be under tank and instrument: how probable the better of
    the two will be afterwards, on average.
    """
    tank, instrument = found.probability(*OF_TANK), found.probability(*OF_INSTRUMENT)
    alone = found.probability(Shock.RESULT)
    if alone > max(tank, instrument):
        return Ask.REPEAT
    share = tank / max(tank + instrument, 1e-12)
    level, newest = history.seen[-1].dkh, history.seen[-1]
    by_volumes = max((found.by_kind[kind] for kind in OF_INSTRUMENT), key=lambda each: each.probability)
    days = found.at_d - by_volumes.since_d if by_volumes.kind is Shock.DRIFT else 1.0
    relative, u, own = by_volumes.size * days, by_volumes.u * days, newest.u_own_dkh / level
    outcomes = {
        Ask.REFERENCE: abs(relative) / hypot(REFERENCE_U, own / sqrt(RUNS_OF_A_REFERENCE), u),
        Ask.KIT_TEST: abs(relative) * level / (KIT_U_DKH * sqrt(2.0)),
        Ask.WAIT: 0.0,
    }
    return max(outcomes, key=lambda ask: right_afterwards(share, outcomes[ask]))


def right_afterwards(probability: float, apart: float) -> float:
    """Return the expected probability of the better hypothesis after an outcome whose means lie so many sd apart."""
    best = max(probability, 1.0 - probability)
    if apart < 1e-6 or best >= 1.0 - 1e-12:
        return best
    shift = log(probability / (1.0 - probability)) / apart
    return probability * _phi(0.5 * apart + shift) + (1.0 - probability) * _phi(0.5 * apart - shift)


def cost_ml(ask: Ask, around: Circumstances) -> float:
    """Return what a measurement takes."""
    return {
        Ask.REFERENCE: RUNS_OF_A_REFERENCE * around.a_run_ml,
        Ask.REPEAT: around.a_run_ml,
        Ask.WEIGH_SAMPLE: around.a_run_ml,
    }.get(ask, 0.0)


def _phi(x: float) -> float:
    return 0.5 * (1.0 + erf(x / sqrt(2.0)))
