"""What to dose: the daily dose that holds the target, and a correction spread under a limit. Never actuation.

Saltern drives no doser. A keeper reads this, looks at the tank, and decides.
"""

from dataclasses import dataclass
from enum import StrEnum
from math import ceil, hypot

from saltern.chemistry.endpoint.curve import Estimate
from saltern.chemistry.supplements import CEILING_DKH_PER_DAY, MOST_RISE_DKH_PER_DAY, Supplement, ml_for
from saltern.tank.consumption import Consumption
from saltern.tank.findings import Finding, Whose

PLANNED_PART = 0.7
"""Of the limit: what is planned, so that a tank that takes less than expected stays under it."""

NOT_WORTH_CORRECTING_DKH = 0.03
MOST_U_DKH_PER_DAY = 0.25
MOST_VOLUME_U = 0.15
TRUSTED_FOR_D = 1.5
"""Where no result of so long is trusted, nothing is advised, and nothing is said of the days since (assumed)."""
HIGH_PH_TOTAL = 8.5
LOW_MAGNESIUM_MG_L = 1200.0
HIGH_ARAGONITE = 6.0
USUAL_C = (20.0, 30.0)


class Withheld(StrEnum):
    """Why there is no advice: a closed list."""

    TOO_EARLY = "too-early"
    RESULTS_NOT_TRUSTED = "results-not-trusted"
    NOT_MEASURED_TWICE = "not-measured-twice"
    INSTRUMENT_DOUBTED = "instrument-doubted"
    VOLUME_UNKNOWN = "volume-unknown"
    PH_HIGH = "ph-high"
    MAGNESIUM_LOW = "magnesium-low"
    MAGNESIUM_UNKNOWN = "magnesium-unknown"
    ARAGONITE_HIGH = "aragonite-high"
    TEMPERATURE = "temperature"


MENDS = {
    Withheld.TOO_EARLY: "Wait: two days of results are needed, and better three.",
    Withheld.RESULTS_NOT_TRUSTED: "No result of the last 36 hours was accepted: measure, and see why others were not.",
    Withheld.NOT_MEASURED_TWICE: "Measure once more: two results must agree before anything is corrected.",
    Withheld.INSTRUMENT_DOUBTED: "Measure a reference: it separates the tank from the instrument.",
    Withheld.VOLUME_UNKNOWN: "Give tank.volume_l, or log one test dose of known strength.",
    Withheld.PH_HIGH: "Let pH fall below 8.5 before alkalinity is raised; check the gas exchange.",
    Withheld.MAGNESIUM_LOW: "Raise magnesium above 1200 mg/L first: below that, alkalinity precipitates.",
    Withheld.MAGNESIUM_UNKNOWN: "Test magnesium and log it: below 1200 mg/L, alkalinity precipitates.",
    Withheld.ARAGONITE_HIGH: "Do not raise alkalinity: calcium carbonate would precipitate.",
    Withheld.TEMPERATURE: "Check the tank's temperature first.",
}


@dataclass(frozen=True)
class Situation:
    """What advice rests on.

    Parameters
    ----------
    consumption
        As `consumption` returned it; None with too few results.
    newest_dkh
        The newest two results that are trusted, newest last, with their own uncertainties.
    newest_age_d
        How old the newest is.
    findings
        Those that stand.
    volume_u
        Relative standard uncertainty of the tank's volume as the keeper says it; None if it was not said.
    doser_dkh_per_day
        What is dosed now, in the volume that the keeper states.
    ph_total, magnesium_mg_l, aragonite_saturation, temperature_c
        As far as they are known and fresh.
    """

    consumption: Consumption | None
    newest_dkh: tuple[Estimate, ...]
    newest_age_d: float
    findings: tuple[Finding, ...]
    volume_u: float | None
    doser_dkh_per_day: float
    dilution_dkh_per_day: float = 0.0
    ph_total: float | None = None
    magnesium_mg_l: float | None = None
    aragonite_saturation: float | None = None
    temperature_c: float | None = None


@dataclass(frozen=True)
class Wish:
    """What the keeper wants.

    Parameters
    ----------
    target_dkh
        Where the tank's daily mean should lie.
    most_rise_dkh_per_day
        Of a correction.
    wants_magnesium
        Whether a fresh magnesium test is asked for before anything is raised.
    """

    target_dkh: float
    most_rise_dkh_per_day: float = MOST_RISE_DKH_PER_DAY
    wants_magnesium: bool = False


@dataclass(frozen=True)
class Advice:
    """What to dose, in the volume that the keeper states; all None where advice is withheld.

    Attributes
    ----------
    dose_dkh_per_day
        The whole daily dose from now on.
    correction_dkh
        What is still to be added beside it, over `days`.
    correction_dkh_per_day, days
        How it is spread; negative where the dose is to be less for so many days.
    withheld_because, mend
        Why there is none, and what would mend that.
    """

    dose_dkh_per_day: float | None
    correction_dkh: float | None
    correction_dkh_per_day: float | None
    days: int
    withheld_because: Withheld | None
    mend: str | None


def advice(now: Situation, wish: Wish) -> Advice:
    """Return what to dose."""
    because = _withheld(now)
    if because is not None or now.consumption is None:
        return _none(because or Withheld.TOO_EARLY)
    taken = max(0.0, now.consumption.rate_dkh_per_day.value) + now.dilution_dkh_per_day
    in_stated = now.consumption.volume_over_stated.value
    gap = (wish.target_dkh - _daily_mean(now.consumption)) * in_stated
    hold = taken * in_stated
    if abs(gap) < NOT_WORTH_CORRECTING_DKH:
        gap = 0.0
    if gap > 0.0 or hold > now.doser_dkh_per_day:
        upwards = _not_upwards(now, wish)
        if upwards is not None:
            return _none(upwards)
    limit = PLANNED_PART * min(wish.most_rise_dkh_per_day, CEILING_DKH_PER_DAY)
    if gap < 0.0:
        limit = min(limit, max(hold, 1e-6))  # a dose cannot be less than none
    days = max(1, ceil(abs(gap) / limit)) if gap else 0
    return Advice(hold, gap, gap / days if days else 0.0, days, None, None)


def in_ml(dkh: float, supplement: Supplement, volume_l: float) -> float:
    """Return a dose in mL of the keeper's supplement, in the volume that the keeper states."""
    return ml_for(supplement, dkh, volume_l)


def _daily_mean(found: Consumption) -> float:
    """Return where the tank's daily mean now lies: that of the day past, and half of what it moved meanwhile."""
    day = found.windows.get(1.0)
    if day is None:
        return found.level_dkh.value
    return day.alkalinity_dkh.value + 0.5 * day.net_dkh_per_day.value


def _withheld(now: Situation) -> Withheld | None:
    """Return what forbids any advice, the gravest first."""
    found = now.consumption
    if now.newest_age_d > TRUSTED_FOR_D:
        return Withheld.RESULTS_NOT_TRUSTED
    if found is None and now.newest_dkh:
        return Withheld.TOO_EARLY
    if found is None or found.too_early or found.rate_dkh_per_day.u > MOST_U_DKH_PER_DAY:
        return Withheld.TOO_EARLY
    if len(now.newest_dkh) < 2 or not _agree(*now.newest_dkh[-2:]):
        return Withheld.NOT_MEASURED_TWICE
    if any(each.whose is not Whose.TANK for each in now.findings):
        return Withheld.INSTRUMENT_DOUBTED
    if now.volume_u is None or min(now.volume_u, found.volume_over_stated.u) > MOST_VOLUME_U:
        return Withheld.VOLUME_UNKNOWN
    if now.temperature_c is not None and not USUAL_C[0] <= now.temperature_c <= USUAL_C[1]:
        return Withheld.TEMPERATURE
    return None


AGREE_WITHIN_DKH = 0.4
"""Two results some hours apart: what a tank may swing meanwhile, and no more."""


def _agree(one: Estimate, other: Estimate) -> bool:
    return abs(one.value - other.value) <= AGREE_WITHIN_DKH + 2.0 * hypot(one.u, other.u)


def _not_upwards(now: Situation, wish: Wish) -> Withheld | None:
    if now.ph_total is not None and now.ph_total > HIGH_PH_TOTAL:
        return Withheld.PH_HIGH
    if now.magnesium_mg_l is None and wish.wants_magnesium:
        return Withheld.MAGNESIUM_UNKNOWN
    if now.magnesium_mg_l is not None and now.magnesium_mg_l < LOW_MAGNESIUM_MG_L:
        return Withheld.MAGNESIUM_LOW
    if now.aragonite_saturation is not None and now.aragonite_saturation > HIGH_ARAGONITE:
        return Withheld.ARAGONITE_HIGH
    return None


def _none(because: Withheld) -> Advice:
    return Advice(None, None, None, 0, because, MENDS[because])
