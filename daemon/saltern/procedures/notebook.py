"""What a procedure writes down as it goes: phases, raw readings, remarks."""

from collections.abc import Callable
from dataclasses import dataclass, field

from saltern.bench.bench import Bench
from saltern.chemistry.endpoint.curve import Curve
from saltern.model.determination import Notice, Sighting
from saltern.model.phase import Phase, phase_of
from saltern.quality.drain_witness import DrainSeen

Watcher = Callable[["Step"], None]


@dataclass(frozen=True, slots=True)
class SoFar:
    """What the readings of a titration come to while it goes on: it guides the doses, and is no result."""

    umol_per_kg: float
    dkh: float


@dataclass(frozen=True, slots=True)
class Step:
    """Something worth showing to whoever watches: a phase begun, or a point of the titration curve."""

    at_s: float
    phase: str  # in words
    titrant_ml: float | None = None
    emf_mv: float | None = None
    in_phase: Phase | None = None
    so_far: SoFar | None = None


@dataclass
class Notebook:
    """The pages of one run."""

    bench: Bench
    watcher: Watcher = lambda step: None
    save: Callable[[], None] = lambda: None  # called with pumps at rest, whenever there is more worth keeping
    phase: str = ""
    in_phase: Phase | None = None
    readings: list[Sighting] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    noticed: dict[Notice, str] = field(default_factory=dict)
    drains: list[DrainSeen] = field(default_factory=list)
    titrant_ml: float = 0.0  # given to the sample so far
    curve: Curve | None = None  # as far as it has come
    so_far: SoFar | None = None  # once the end point is in sight

    def enter(self, phase: str) -> None:
        """Begin a phase, in its words.

        Raises
        ------
        MisuseError
            It is not in the closed list.
        """
        self.phase, self.in_phase = phase, phase_of(phase)
        self.watcher(Step(self.bench.clock.monotonic(), phase, in_phase=self.in_phase, so_far=self.so_far))

    def notice(self, code: Notice, text: str) -> None:
        """Write down something of the bench that its keeper is to hear of."""
        self.remarks.append(text)
        self.noticed[code] = text

    def show_point(self, titrant_ml: float, emf_mv: float) -> None:
        self.titrant_ml = titrant_ml
        self.save()
        self.watcher(Step(self.bench.clock.monotonic(), self.phase, titrant_ml, emf_mv, self.in_phase, self.so_far))

    def emf_mv(self) -> tuple[float, float]:
        """Read the electrode; return the signal in mV, rising with acid, and its monotonic time."""
        emf_mv, at_s = self.bench.read_emf_mv()
        self.readings.append(Sighting(at_s, "ph", emf_mv, "mV", self.phase))
        return emf_mv, at_s

    def conductivity_ms_cm(self) -> float:
        value = self.bench.conductivity_ms_cm()
        self.readings.append(Sighting(self.bench.clock.monotonic(), "conductivity", value, "mS/cm", self.phase))
        return value

    def balance_g(self) -> float:
        value = self.bench.balance_g()
        self.readings.append(Sighting(self.bench.clock.monotonic(), "balance", value, "g", self.phase))
        return value

    def temperature_c(self) -> float:
        value = self.bench.temperature_c()
        self.readings.append(Sighting(self.bench.clock.monotonic(), "temperature", value, "degC", self.phase))
        return value
