"""The tank as a linear model: what its state is, how it moves from event to event, and how results see it.

The level follows a mass balance of a well mixed tank:

    d level / dt = doser (1 + gain + today) - (mean + wander + day and night) - dilution

and a result is the level times one plus the error of its factor. A volume that is wrong also moves the offset of the
electrode that the titration fits, by 0.26 mV a percent; a dose does not. `gain` is the error that all doses share
(volume and strength), `today` the doser's own of this day. The factor's error moves with its `drift`, by chance, and
by the course that a standardised bench lets its factor follow; `common` is what no reference shows. `wander` is an
Ornstein-Uhlenbeck process; its spread, and that of `today`, are not known: a model of each is filtered, and
`consumption` weighs them by their likelihood.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum, StrEnum
from math import ceil, cos, exp, floor, pi, sin

import numpy as np

from saltern.chemistry.quantities import FloatArray
from saltern.tank.electrode_knocks import OFFSET_MV, knocks
from saltern.tank.history import Dose, Doser, Factor, History, Priors, Reference, Seen, WaterChange
from saltern.tank.state_space import Start, Step

RESULT_OF_NOTHING_DKH = 8.0
"""About what a tank holds: how far unknown new water may be from it is `UNKNOWN_WATER_U_DKH`."""

UNKNOWN_WATER_U_DKH = 2.0
AT_ONCE_D = 1e-6
UNKNOWN_OFFSET_MV = 1000.0
TURN = 2.0 * pi


class Part(IntEnum):
    """The state's parts. Accumulators for each window follow."""

    LEVEL = 0
    MEAN = 1
    WANDER = 2
    COS1 = 3
    SIN1 = 4
    COS2 = 5
    SIN2 = 6
    COS3 = 7
    SIN3 = 8
    GAIN = 9
    TODAY = 10
    FACTOR = 11
    DRIFT = 12
    OFFSET = 13
    COMMON = 14


PARTS = len(Part)
PER_WINDOW = 3
UPTAKE, NET, LEVELS = range(PER_WINDOW)
"""Of one window: taken up, net change but for water changes, and the level's integral."""


class Kind(StrEnum):
    """What may have changed at one moment."""

    RATE = "rate"
    LEVEL = "level"
    FACTOR = "factor"
    DRIFT = "drift"


OF_KIND = {Kind.RATE: Part.MEAN, Kind.LEVEL: Part.LEVEL, Kind.FACTOR: Part.FACTOR, Kind.DRIFT: Part.DRIFT}


BY_TURNS = ((Part.COS1, Part.SIN1), (Part.COS2, Part.SIN2), (Part.COS3, Part.SIN3))
"""Of the day and night: once, twice and three times a day; lamps that go on and off have them all."""

SWINGS = [part for pair in BY_TURNS for part in pair]
LEAST_CONSUMPTION_DKH_PER_DAY = 0.15
SWINGS_WITH_RATE = {part: share for pair, share in zip(BY_TURNS, (0.5, 0.2, 0.1), strict=True) for part in pair}
"""A tank that takes more also swings more; how far is learnt anew."""


@dataclass(frozen=True)
class Break:
    """Something changed at `at_d` by an amount of which only the standard deviation is supposed, in its part's unit.

    `dosed` of a level: it counts into the net rate, as doses do and water changes do not.
    """

    at_d: float
    kind: Kind
    sd: float
    dosed: bool = False


@dataclass(frozen=True)
class Variant:
    """One of the models that are filtered at once."""

    wander_dkh_per_day: float
    scatter: float = 0.0
    breaks: tuple[Break, ...] = ()


@dataclass(frozen=True)
class Laid:
    """A history as steps of the filter: their times, and which of them see a result."""

    start: Start
    steps: tuple[Step, ...]
    result_steps: tuple[int, ...]
    times_d: tuple[float, ...]
    windows_d: tuple[float, ...]

    def accumulator(self, window: int, which: int) -> int:
        return PARTS + PER_WINDOW * window + which


def lay(
    history: History,
    priors: Priors,
    variants: Sequence[Variant],
    until_d: float,
    windows_d: Sequence[float] = (),
    swing: FloatArray | None = None,
    draws_d: Sequence[float] = (),
) -> Laid:
    """Return the steps of a history up to a moment.

    Parameters
    ----------
    history
        What is known; nothing later than `until_d` counts.
    priors
        What is said and assumed of the tank.
    variants
        Models that are filtered at once.
    until_d
        The last step's time.
    windows_d
        Lengths of the windows that end there, in days; one longer than the history begins with it.
    swing
        The day-and-night parts over the mean consumption, shape (6,), as `swing_over_mean` finds them: what wanders
        goes with the light too. None: it does not.
    draws_d
        When samples are going to be drawn that nobody has seen yet: each dilutes.
    """
    history = history.until(until_d)
    if not history.seen:
        msg = "a tank without any measurement has no model"
        raise ValueError(msg)
    begin = history.seen[0].at_d
    doser = [each for each in history.doser if each.at_d <= begin][-1:]
    rate = doser[0].dkh_per_day if doser else 0.0
    frame = _Frame(priors, variants, len(windows_d), np.zeros(len(SWINGS)) if swing is None else swing)
    course = next((each.course_per_day for each in reversed(history.factors) if each.at_d <= begin), 0.0)
    knocked = knocks(history.seen)
    steps: list[Step] = []
    result_steps, times = [], []
    now, before = begin, history.seen[0].dkh
    for at_d, event in _events(history, variants, begin, until_d, windows_d, draws_d):
        step = frame.motion(now, at_d, rate, course)
        now = at_d
        if isinstance(event, Doser):
            rate = event.dkh_per_day
        elif isinstance(event, Factor):
            course = event.course_per_day
        elif isinstance(event, Seen):
            result_steps.append(len(steps))
        steps.append(frame.at(step, event, before))
        if isinstance(event, Seen):
            before = event.dkh
        times.append(at_d)
        if isinstance(event, Seen) and event.e0_mv is not None:
            steps.append(frame.offset(event, event.e0_mv, knocked=event.at_d in knocked))
            times.append(at_d)
    return Laid(frame.start(history), tuple(steps), tuple(result_steps), tuple(times), tuple(windows_d))


@dataclass(frozen=True)
class _Drawn:
    """A sample of the tank is out."""


@dataclass(frozen=True)
class _Midnight:
    """The doser's error of another day."""


@dataclass(frozen=True)
class _Opened:
    """A window begins: its accumulators are empty."""

    window: int


_Event = Seen | Dose | Doser | WaterChange | Reference | Factor | Break | _Drawn | _Midnight | _Opened | None


def _events(
    history: History,
    variants: Sequence[Variant],
    begin: float,
    until_d: float,
    windows_d: Sequence[float],
    draws_d: Sequence[float],
) -> list[tuple[float, _Event]]:
    found: list[tuple[float, _Event]] = []
    found += [(max(begin, until_d - length), _Opened(i)) for i, length in enumerate(windows_d)]
    found += [(float(day), _Midnight()) for day in range(floor(begin) + 1, ceil(until_d))]
    found += [(each.at_d, each) for each in dict.fromkeys(each for variant in variants for each in variant.breaks)]
    found += [(each.at_d, each) for each in history.seen]
    found += [(each.at_d + AT_ONCE_D, _Drawn()) for each in history.seen]
    found += [(at_d, _Drawn()) for at_d in draws_d]
    for kind in (history.doses, history.doser, history.water_changes, history.references, history.factors):
        found += [(each.at_d, each) for each in kind]
    found.append((until_d, None))
    return sorted((each for each in found if begin <= each[0] <= until_d), key=lambda each: each[0])


class _Frame:
    """The matrices of one layout."""

    def __init__(self, priors: Priors, variants: Sequence[Variant], windows: int, swing: FloatArray) -> None:
        self.priors, self.variants, self.windows, self.swing = priors, variants, windows, swing
        self.n = PARTS + PER_WINDOW * windows
        self.wander_2 = np.array([each.wander_dkh_per_day**2 for each in variants])
        self.scatter_2 = np.array([each.scatter**2 for each in variants])
        self._one = np.eye(self.n)

    def start(self, history: History) -> Start:
        """Return what is known before the first result: of level and mean consumption nothing."""
        b = self.priors
        factor_u = next((each.u for each in history.factors if each.at_d <= history.seen[0].at_d), b.factor_u)
        sd = np.zeros(self.n)
        for pair, amplitude in zip(BY_TURNS, b.swing_dkh_per_day, strict=True):
            sd[list(pair)] = amplitude
        sd[Part.GAIN] = np.hypot(b.volume_u, b.doser_u)
        sd[Part.FACTOR], sd[Part.DRIFT] = factor_u, b.factor_drift_u
        sd[Part.OFFSET], sd[Part.COMMON] = UNKNOWN_OFFSET_MV, b.common_u
        covariance = np.broadcast_to(np.diag(sd**2), (len(self.variants), self.n, self.n)).copy()
        covariance[:, Part.WANDER, Part.WANDER] = self.wander_2
        covariance[:, Part.TODAY, Part.TODAY] = self.scatter_2
        return Start(np.zeros((1, self.n)), covariance, (Part.LEVEL, Part.MEAN))

    def motion(self, begin: float, end: float, rate: float, course: float) -> Step:
        """Return how the state moves while a doser gives its rate and the factor in force follows its course."""
        dt, tau = end - begin, self.priors.wander_days
        kept = exp(-dt / tau)
        taken = np.zeros(self.n)
        taken[Part.MEAN], taken[Part.WANDER] = dt, tau * (1.0 - kept)
        for k, (c, s) in enumerate(BY_TURNS, start=1):
            turn = TURN * k
            taken[c] = (sin(turn * end) - sin(turn * begin)) / turn
            taken[s] = (cos(turn * begin) - cos(turn * end)) / turn
        if dt > 0.0:
            taken[Part.WANDER] *= 1.0 + float(self.swing @ taken[SWINGS]) / dt
        dosed = np.zeros(self.n)
        dosed[Part.GAIN] = dosed[Part.TODAY] = rate * dt
        transition = self._one.copy()
        transition[Part.WANDER, Part.WANDER] = kept
        transition[Part.LEVEL] += dosed - taken
        transition[Part.FACTOR, Part.DRIFT] = dt
        shift = np.zeros(self.n)
        shift[Part.LEVEL] = rate * dt
        shift[Part.FACTOR], shift[Part.OFFSET] = course * dt, -OFFSET_MV * course * dt  # volumes are what they are
        spread = np.zeros(self.n)
        spread[Part.LEVEL] = -1.0
        for i in range(self.windows):
            first = PARTS + PER_WINDOW * i
            transition[first + UPTAKE] += taken
            transition[first + NET] += dosed - taken
            transition[first + LEVELS] += 0.5 * dt * (transition[Part.LEVEL] + self._one[Part.LEVEL])
            shift[first + NET] = rate * dt
            shift[first + LEVELS] = 0.5 * dt * rate * dt
            spread[first + UPTAKE], spread[first + NET], spread[first + LEVELS] = 1.0, -1.0, -0.5 * dt
        noise = self._wandering(dt, kept, spread)
        noise[:, Part.MEAN, Part.MEAN] += self.priors.growth**2 * dt
        noise[:, Part.FACTOR, Part.FACTOR] += self.priors.factor_walk_u**2 * dt
        noise[:, Part.DRIFT, Part.DRIFT] += self.priors.factor_turn_u**2 * dt
        noise[:, Part.OFFSET, Part.OFFSET] += self.priors.electrode_wander_mv**2 * dt
        return Step(transition[None], shift[None], noise)

    def _wandering(self, dt: float, kept: float, spread: FloatArray) -> FloatArray:
        """Return the covariance that the wander adds: of an Ornstein-Uhlenbeck process and its integral, exactly.

        Gillespie 1996, Phys. Rev. E 54, 2084, for a stationary variance of one.
        """
        tau = self.priors.wander_days
        both = tau * (1.0 - kept) ** 2
        of_integral = tau**2 * max(0.0, 2.0 * dt / tau - 3.0 + 4.0 * kept - kept**2)
        shape = of_integral * np.outer(spread, spread)
        shape[Part.WANDER, Part.WANDER] = 1.0 - kept**2
        shape[Part.WANDER] += both * spread
        shape[:, Part.WANDER] += both * spread
        noise: FloatArray = self.wander_2[:, None, None] * shape
        return noise

    def at(self, step: Step, event: _Event, before_dkh: float) -> Step:
        """Return a step with what happens, or is seen, at its end.

        What a factor's error comes to is taken from the result before: from this one, its own error would pull at the
        factor, always the same way.
        """
        b = self.priors
        if isinstance(event, Seen):
            row = self._row({Part.LEVEL: 1.0, Part.FACTOR: before_dkh, Part.COMMON: before_dkh})
            return Step(step.transition, step.shift, step.noise, row, event.dkh, event.u_own_dkh**2)
        if isinstance(event, Reference):
            row = self._row({Part.FACTOR: 1.0})
            return Step(step.transition, step.shift, step.noise, row, event.excess, event.u**2)
        if isinstance(event, Dose):
            return self._dosed(step, event)
        if isinstance(event, WaterChange):
            new = RESULT_OF_NOTHING_DKH if event.dkh is None else event.dkh
            u = UNKNOWN_WATER_U_DKH if event.dkh is None else event.u_dkh
            return self._diluted(step, event.part, new, u, ())
        if isinstance(event, _Drawn) and b.top_up_fresh and b.sample_part > 0.0:
            return self._diluted(step, b.sample_part, 0.0, 0.0, (NET,))
        if isinstance(event, Factor) and event.moved is not None:
            shift = np.zeros(self.n)
            shift[Part.FACTOR], shift[Part.OFFSET] = event.moved, -OFFSET_MV * event.moved
            return _then(step, self._one, shift, np.zeros((1, self.n, self.n)))
        if isinstance(event, Factor):
            step = self._handed_over(step)
            return self._anew(step, (Part.FACTOR,), np.full(len(self.variants), event.u**2))
        if isinstance(event, _Midnight):
            return self._anew(step, (Part.TODAY,), self.scatter_2)
        if isinstance(event, _Opened):
            first = PARTS + PER_WINDOW * event.window
            parts = tuple(range(first, first + PER_WINDOW))
            return self._anew(step, parts, np.zeros(len(self.variants)))
        if isinstance(event, Break):
            return self._broken(step, event)
        return step

    def offset(self, result: Seen, e0_mv: float, *, knocked: bool) -> Step:
        """Return the step in which the electrode's offset is seen, of the result that was seen just before.

        Of an electrode that was knocked, what was known of its offset is known no more.
        """
        row = self._row({Part.OFFSET: 1.0, Part.FACTOR: OFFSET_MV})
        kept, noise = self._one.copy(), np.zeros((1, self.n, self.n))
        if knocked:
            kept[Part.OFFSET, Part.OFFSET], noise[0, Part.OFFSET, Part.OFFSET] = 0.0, UNKNOWN_OFFSET_MV**2
        return Step(kept[None], np.zeros((1, self.n)), noise, row, e0_mv, result.u_e0_mv**2)

    def _handed_over(self, step: Step) -> Step:
        """Another factor takes a volume's error out of results, and not out of the electrode's offset."""
        moved = self._one.copy()
        moved[Part.OFFSET, Part.FACTOR] = OFFSET_MV
        return _then(step, moved, np.zeros(self.n), np.zeros((1, self.n, self.n)))

    def _row(self, values: dict[Part, float]) -> FloatArray:
        row = np.zeros((1, self.n))
        for part, value in values.items():
            row[0, part] = value
        return row

    def _dosed(self, step: Step, dose: Dose) -> Step:
        moved, shift = self._one.copy(), np.zeros(self.n)
        reach = [Part.LEVEL, *(PARTS + PER_WINDOW * i + NET for i in range(self.windows))]
        for place in reach:
            moved[place, Part.GAIN] += dose.dkh
            shift[place] += dose.dkh
        noise = np.zeros((self.n, self.n))
        noise[np.ix_(reach, reach)] = (dose.dkh * self.priors.hand_u) ** 2
        return _then(step, moved, shift, noise[None])

    def _diluted(self, step: Step, part: float, new: float, u: float, also: tuple[int, ...]) -> Step:
        moved, shift, noise = self._one.copy(), np.zeros(self.n), np.zeros((self.n, self.n))
        reach = [Part.LEVEL, *(PARTS + PER_WINDOW * i + which for i in range(self.windows) for which in also)]
        for place in reach:
            moved[place, Part.LEVEL] -= part
            shift[place] += part * new
        noise[Part.LEVEL, Part.LEVEL] = (part * u) ** 2
        return _then(step, moved, shift, noise[None])

    def _anew(self, step: Step, parts: tuple[int, ...], variance: FloatArray) -> Step:
        """Forget parts of the state, and give them another variance about zero."""
        moved = self._one.copy()
        noise = np.zeros((len(self.variants), self.n, self.n))
        for part in parts:
            moved[part, part] = 0.0
            noise[:, part, part] = variance
        return _then(step, moved, np.zeros(self.n), noise)

    def _broken(self, step: Step, event: Break) -> Step:
        part = OF_KIND[event.kind]
        noise = step.noise.copy()
        for i, variant in enumerate(self.variants):
            if event in variant.breaks:
                also = [PARTS + PER_WINDOW * n + NET for n in range(self.windows)] if event.dosed else []
                noise[i][np.ix_([part, *also], [part, *also])] += event.sd**2
                if event.kind is Kind.RATE:
                    for swing, share in SWINGS_WITH_RATE.items():
                        noise[i, swing, swing] += (share * event.sd) ** 2
        return Step(step.transition, step.shift, noise)


def swing_over_mean(mean: FloatArray, covariance: FloatArray) -> FloatArray:
    """Return the day-and-night parts over the mean consumption, shape (m, 6); zero where next to nothing is taken.

    Parameters
    ----------
    mean, covariance
        Of the state, shapes (m, n) and (m, n, n).
    """
    rate, spread = mean[:, Part.MEAN], covariance[:, Part.MEAN, Part.MEAN]
    sure = rate > np.maximum(LEAST_CONSUMPTION_DKH_PER_DAY, 2.0 * np.sqrt(np.maximum(spread, 0.0)))
    found: FloatArray = np.where(sure[:, None], mean[:, SWINGS] / np.where(sure, rate, 1.0)[:, None], 0.0)
    return np.clip(found, -1.0, 1.0)


def _then(step: Step, moved: FloatArray, shift: FloatArray, noise: FloatArray) -> Step:
    """Return a step that is followed at once by another."""
    return Step(
        moved[None] @ step.transition,
        (moved @ step.shift[..., None])[..., 0] + shift,
        moved @ step.noise @ moved.T + noise,
    )
