"""What goes into an evaluation, and what comes out: the words all methods share."""

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Protocol

import numpy as np

from saltern.chemistry.quantities import Estimate, FloatArray, Medium

__all__ = [
    "Co2",
    "Conditions",
    "Curve",
    "EndPoint",
    "EndPointMethod",
    "Estimate",
    "Finding",
    "FloatArray",
    "Medium",
    "Method",
    "Priors",
]


class Co2(StrEnum):
    """What became of the carbon dioxide while the curve was taken."""

    OPEN = "open"  # an open, stirred vessel: lost at an unknown rate
    CLOSED = "closed"  # none lost
    PURGED = "purged"  # all gone before the readings that count


@dataclass(frozen=True)
class Curve:
    """Titrant against electrode signal.

    All arrays have shape (n,), in the order of reading; titrant never decreases.

    Parameters
    ----------
    titrant_g
        Cumulative mass of titrant, g.
    emf_mv
        Electrode signal, mV, *rising with acid*: `curve_file` and the bench turn it so.
    temperature_c
        Temperature of each reading, degC.
    time_s
        Monotonic time of each reading, s, where known.
    emf_sd_mv
        Standard deviation of each reading, mV, where the plateau gave it.
    dose_sd_g
        Standard deviation of the mass of each dose, g; dose `i` comes before reading `i`. Dose errors
        accumulate: they are independent of each other, cumulative volumes are not. None: doses are exact.
    """

    titrant_g: FloatArray
    emf_mv: FloatArray
    temperature_c: FloatArray
    time_s: FloatArray | None = None
    emf_sd_mv: FloatArray | None = None
    dose_sd_g: FloatArray | None = None


@dataclass(frozen=True)
class Conditions:
    """What is known about sample and titrant apart from the curve.

    `titrant_salinity` is the practical salinity whose ionic strength the titrant's background
    electrolyte matches: 0 for acid in plain water; equal to the sample's for acid in NaCl.
    """

    sample_g: float
    salinity: float
    titrant_mol_per_kg: float
    titrant_salinity: float = 0.0
    medium: Medium = Medium.SEAWATER
    co2: Co2 = Co2.OPEN
    phosphate_umol_kg: Estimate = Estimate(0.0, 0.0)
    silicate_umol_kg: Estimate = Estimate(0.0, 0.0)
    borate_ratio: Estimate = Estimate(1.0, 0.0)  # of the water's total borate to natural seawater's at this salinity


@dataclass(frozen=True)
class Priors:
    """What calibration and history say before the curve is looked at; None is unknown, not zero.

    `e0_mv` is the potential at [H+] = 1 mol/kg on the *total* scale of the undiluted sample;
    `slope` is the fraction of the Nernst slope; `noise_mv` the standard deviation of a reading.
    `carbon_umol_kg` is the inorganic carbon at the first reading used, `co2_loss_per_min` the rate at which dissolved
    CO2 leaves the vessel. `bend_mv` is how far the electrode is at pH 8 from the line through pH 4 and 7: None allows
    for no bend, because a wrong salinity or air in the titrant may look like one.
    """

    e0_mv: Estimate | None = None
    slope: Estimate = Estimate(1.0, 0.01)
    noise_mv: float | None = None
    alkalinity_umol_kg: Estimate | None = None
    carbon_umol_kg: Estimate | None = None
    co2_loss_per_min: Estimate | None = None
    bend_mv: Estimate | None = None


@dataclass(frozen=True)
class Finding:
    """A statistic that speaks for or against a result: above its limit it flags it with its code."""

    code: str
    statistic: float
    limit: float
    about: str

    @property
    def flagged(self) -> bool:
        return self.statistic > self.limit


@dataclass(frozen=True)
class EndPoint:
    """The answer of a method.

    `u_umol_kg` covers what the method sees: electrode noise, dose scatter, its own nuisance parameters;
    not sample mass, titrant concentration or pump gain, which the determination's budget adds. `bend_mv` is how far the
    electrode is at pH 8 from the line through pH 4 and 7; None where the curve did not need it.
    """

    method: str
    alkalinity_umol_kg: float
    u_umol_kg: float
    e0_mv: float | None  # total scale of the undiluted sample
    slope: float | None  # fraction of the Nernst slope, fitted or assumed
    points_used: int
    residual_mv: float  # rms over the points used
    flags: tuple[str, ...] = ()
    e0_u_mv: float | None = None
    slope_u: float | None = None
    e0_slope_covariance: float | None = None  # mV
    carbon_umol_kg: Estimate | None = None
    co2_loss_per_min: Estimate | None = None
    degrees_of_freedom: float | None = None
    standardised_residuals: FloatArray = field(default_factory=lambda: np.empty(0))
    findings: tuple[Finding, ...] = ()
    bend_mv: Estimate | None = None


class Method(Protocol):
    """A way to find the end point. Raises `saltern.errors.CurveError` where the curve cannot bear it."""

    def __call__(self, curve: Curve, conditions: Conditions, priors: Priors, /) -> EndPoint: ...


@dataclass(frozen=True)
class EndPointMethod:
    """What the file of a method declares.

    Parameters
    ----------
    find
        The method itself.
    targets_ph_free
        Free pH of the readings that it wants, falling. None where they are planned, after each reading, from what
        further ones would help the default method (`titration_plan`).
    """

    find: Method
    targets_ph_free: tuple[float, ...] | None = None
