"""What a determination yields: three quantities, everything they rest on, and how it went."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from saltern.chemistry.endpoint.curve import Conditions, Curve, EndPoint, Priors
from saltern.model.verdict import Quantity

__all__ = ["Determination", "Notice", "PhAt", "Quantity", "Sighting", "Source"]


class Source(StrEnum):
    """What was drawn. Only `tank` enters trends."""

    TANK = "tank"
    REFERENCE = "reference"
    NEW_SALTWATER = "new-saltwater"
    OTHER = "other"


class Notice(StrEnum):
    """What a run noticed of the bench beside its result; each is the code of an alert."""

    NOT_LEFT_CLEAN = "not-left-clean"
    ELECTRODE_SLOW = "electrode-slow"
    STEP_UNEXPLAINED = "step-unexplained"


@dataclass(frozen=True, slots=True)
class Sighting:
    """One raw reading of one probe, as the board sent it."""

    at_s: float  # monotonic
    probe: str  # "ph", "conductivity", "temperature" or "balance"
    value: float
    unit: str
    phase: str


@dataclass(frozen=True, slots=True)
class PhAt:
    """A pH, total scale, at a temperature, with its standard uncertainty."""

    value: float
    u: float
    temperature_c: float


@dataclass(frozen=True)
class Determination:
    """One complete measurement, or the remains of one.

    `alkalinity` is in umol/kg of sample; `budget_umol_kg` holds the standard uncertainty that each source
    contributes to it. `curve`, `conditions`, `priors` and `method` are all that another evaluation needs.
    `budget_ph` is the same of the sample's pH, which is on the total scale at the vessel's temperature;
    `ph_at_tank` is that of the same water at the tank's temperature, where the bench file gives one.
    `calibrations` are the numbers of those in force, by kind, and `calibrated` the options of the bench that they, or
    the bench file, gave.
    """

    source: Source
    started_at: datetime
    started_s: float
    alkalinity: Quantity
    ph_total: Quantity
    salinity: Quantity
    finished_s: float
    method: str
    ph_nbs: float | None = None
    temperature_c: float | None = None
    sample_g: float | None = None
    titrant_ml: float = 0.0
    ph_read_s: float | None = None  # monotonic, when the sample's pH was read
    curve: Curve | None = None
    conditions: Conditions | None = None
    priors: Priors | None = None
    end_point: EndPoint | None = None
    budget_umol_kg: dict[str, float] = field(default_factory=dict)
    budget_ph: dict[str, float] = field(default_factory=dict)
    ph_at_tank: PhAt | None = None
    calibrations: dict[str, int] = field(default_factory=dict)
    calibrated: dict[str, float | None] = field(default_factory=dict)
    readings: Sequence[Sighting] = ()
    remarks: tuple[str, ...] = ()
    noticed: Mapping[Notice, str] = field(default_factory=dict, compare=False)  # as it ends; the records keep remarks
