"""What the records say of the tank, as one picture: consumption, forecast, findings, carbonate system and advice."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from saltern.chemistry.carbonate import CarbonateSystem, Sample, carbonate_system
from saltern.chemistry.endpoint.curve import Estimate
from saltern.chemistry.seawater import density_kg_l
from saltern.chemistry.supplements import CAUTIONS, calcium_mg_l, ml_for, ph_change, sodium_mg_l
from saltern.config.tables import BenchConfig
from saltern.config.tank import TankTable
from saltern.errors import ConfigError, CurveError
from saltern.model.verdict import REPORTABLE, Quantity
from saltern.records.store import Store
from saltern.records.tank_history import Known, known
from saltern.records.tank_records import findings, last_kept
from saltern.running.circumstances import circumstances
from saltern.tank.advice import Advice, Situation, Wish, advice
from saltern.tank.consumption import Consumption, consumption
from saltern.tank.findings import Circumstances, Finding, breaks_of, doubted, in_force, look, looks
from saltern.tank.forecast import Forecast, dosed_as_before, forecast
from saltern.tank.shocks import without_outliers

WINDOWS_D = (1.0, 3.0, 7.0, 14.0)
SHOWN_WINDOWS_D = WINDOWS_D[1:]
LOOKED_AT_D = 5.0
"""Where nothing has looked yet, findings are looked for in results so old at most, each as it stood when it came."""

JUST_AFTER_D = 1e-3

CALCIUM_FRESH_D = 30.0


@dataclass(frozen=True)
class Picture:
    """The tank at its newest result."""

    known: Known
    at: datetime
    now_d: float
    consumption: Consumption | None
    forecast: Forecast | None
    as_dosed: Forecast | None  # the same if doses by hand go on as in the week past
    findings: tuple[Finding, ...]
    carbonate: CarbonateSystem | None
    advice: Advice


def picture(store: Store, config: BenchConfig, now: datetime) -> Picture | None:
    """Return the tank at a moment, from the records alone; None where nothing has been measured.

    Raises
    ------
    ConfigError
        The bench file has no table of the tank.
    """
    tank = config.tank
    if tank is None:
        raise ConfigError(
            "the bench file says nothing of the tank",
            where="[tank]",
            remedy="Give at least volume_l; `saltern check --schema` has all of it",
        )
    found = known(store, config, tank, now)
    if found is None:
        return None
    now_d = found.day_of(now)
    kept, last = findings(store, found, now), last_kept(store)
    since_d = now_d - LOOKED_AT_D if last is None else found.day_of(last) + JUST_AFTER_D
    around = circumstances(store, config, tank, found, now)
    reported = [*kept, *looks(found.history, found.priors, since_d, now_d, kept, around)]
    return pictured(found, tank, now, reported)


def look_at(found: Known, result_d: float, reported: Sequence[Finding], around: Circumstances) -> Finding | None:
    """Return what is to be reported once a result has come, as it stood then.

    Parameters
    ----------
    found
        What the records knew.
    result_d
        When the result's sample was drawn, in days of the history.
    reported
        What has been reported before.
    around
        What else the records know: `saltern.running.circumstances`.
    """
    return look(found.history, found.priors, result_d + JUST_AFTER_D, reported, around)


def pictured(found: Known, tank: TankTable, now: datetime, reported: Sequence[Finding]) -> Picture:
    """Return the tank at a moment, where what has been reported of it is known."""
    history, priors, now_d = found.history, found.priors, found.day_of(now)
    breaks = breaks_of(in_force(reported))
    history = without_outliers(history, priors, now_d, breaks)
    taken = consumption(history, priors, now_d, WINDOWS_D, breaks)
    ahead = forecast(history, priors, now_d, tank.low_dkh, tank.high_dkh, breaks=breaks)
    carbonate = _carbonate(found, tank, now)
    word = advice(_situation(found, tank, now, taken, list(reported), carbonate), _wish(tank))
    going_on = dosed_as_before(history, now_d)
    as_dosed = ahead
    if going_on is not history:
        as_dosed = forecast(going_on, priors, now_d, tank.low_dkh, tank.high_dkh, breaks=breaks)
    return Picture(found, now, now_d, taken, ahead, as_dosed, tuple(reported), carbonate, word)


def _wish(tank: TankTable) -> Wish:
    return Wish(tank.target_dkh, tank.most_rise_dkh_per_day, tank.magnesium_days is not None)


def _situation(
    found: Known,
    tank: TankTable,
    now: datetime,
    taken: Consumption | None,
    reported: list[Finding],
    carbonate: CarbonateSystem | None,
) -> Situation:
    seen, now_d = found.history.seen, found.day_of(now)
    doser = [each.dkh_per_day for each in found.history.doser if each.at_d <= now_d]
    a_day = [each for each in seen if now_d - 7.0 < each.at_d <= now_d]
    dilution = found.priors.sample_part * len(a_day) / 7.0 * seen[-1].dkh if found.priors.top_up_fresh else 0.0
    ph = found.results[-1].ph_total
    magnesium = _fresh(found, "magnesium_mg_l", now, tank.magnesium_days or CALCIUM_FRESH_D)
    return Situation(
        taken,
        tuple(Estimate(each.dkh, each.u_own_dkh) for each in seen[-2:]),
        now_d - seen[-1].at_d,
        tuple(doubted(reported, found.history, now_d)),
        found.priors.volume_u,
        doser[-1] if doser else 0.0,
        dilution,
        _value(ph),
        magnesium,
        None if carbonate is None else carbonate.aragonite_saturation.value,
        tank.temperature_c,
    )


def _fresh(found: Known, quantity: str, now: datetime, days: float) -> float | None:
    tested = found.tests.get(quantity)
    return tested[1] if tested is not None and now - tested[0] <= timedelta(days=days) else None


def _value(quantity: Quantity) -> float | None:
    return quantity.value if quantity.verdict in REPORTABLE else None


def _carbonate(found: Known, tank: TankTable, now: datetime) -> CarbonateSystem | None:
    """Return the carbonate system of the newest result that has all it needs."""
    calcium = _fresh(found, "calcium_mg_l", now, CALCIUM_FRESH_D)
    newest = found.results[-1]
    values = (newest.alkalinity, newest.ph_total, newest.salinity)
    if any(_value(each) is None for each in values) or newest.temperature_c is None:
        return None
    alkalinity, ph, salinity = (Estimate(each.value or 0.0, each.u or 0.0) for each in values)
    sample = Sample(
        alkalinity,
        ph,
        salinity,
        newest.temperature_c,
        tank.temperature_c,
        density_kg_l(salinity.value, tank.temperature_c),
        None if calcium is None else Estimate(calcium, 0.04 * calcium),
    )
    try:
        return carbonate_system(sample)
    except CurveError:  # a pH that does not belong to this water: its own verdict says so
        return None


def as_json(found: Picture, tank: TankTable) -> dict[str, Any]:
    """Return the picture in public words, k = 1; times are UTC."""
    return {
        "schema_version": 1,
        "at_utc": found.at.isoformat(),
        "salinity": found.known.salinity,
        "consumption": _consumption_json(found.consumption),
        "forecast": _forecast_json(found, tank),
        "findings": [_finding_json(each, found.known) for each in found.findings],
        "carbonate": _carbonate_json(found.carbonate),
        "advice": _advice_json(found, tank),
        "not_understood": list(found.known.not_understood),
    }


def _estimate(estimate: Estimate) -> dict[str, float]:
    return {"value": estimate.value, "u": estimate.u}


def _consumption_json(found: Consumption | None) -> dict[str, Any] | None:
    if found is None:
        return None
    return {
        "too_early": found.too_early,
        "level_dkh": _estimate(found.level_dkh),
        "wander_dkh_per_day": found.wander_dkh_per_day,
        "doser_scatter": found.doser_scatter,
        "volume_over_stated": _estimate(found.volume_over_stated),
        "day_and_night": found.day_and_night,
        "windows": [
            {
                "days": window.days,
                "consumption_dkh_per_day": _estimate(window.consumption_dkh_per_day),
                "net_dkh_per_day": _estimate(window.net_dkh_per_day),
                "alkalinity_dkh": _estimate(window.alkalinity_dkh),
                "calcium_mg_l_per_day": calcium_mg_l(window.consumption_dkh_per_day.value),
            }
            for length, window in found.windows.items()
            if length in SHOWN_WINDOWS_D
        ],
    }


def _forecast_json(found: Picture, tank: TankTable) -> dict[str, Any] | None:
    ahead = found.forecast
    if ahead is None:
        return None
    leaves = ahead.leaves
    return {
        "nights": [
            {
                "at_utc": found.known.time_of(each.at_d).isoformat(),
                "level_dkh": _estimate(each.level_dkh),
                "below": each.below,
                "above": each.above,
            }
            for each in ahead.nights
        ],
        "leaves_at_utc": None if leaves is None else found.known.time_of(leaves.at_d).isoformat(),
        "probability": None if leaves is None else max(leaves.below, leaves.above),
        "downwards": None if leaves is None else ahead.downwards,
        "limit_dkh": None if leaves is None else tank.low_dkh if ahead.downwards else tank.high_dkh,
    }


def _finding_json(finding: Finding, known: Known) -> dict[str, Any]:
    words = finding.as_json()
    words["at_utc"] = known.time_of(finding.at_d).isoformat()
    words["since_utc"] = known.time_of(finding.since_d).isoformat()
    return words


def _carbonate_json(found: CarbonateSystem | None) -> dict[str, Any] | None:
    if found is None:
        return None
    return {
        "carbon_umol_kg": _estimate(found.carbon_umol_kg),
        "pco2_uatm": _estimate(found.pco2_uatm),
        "aragonite_saturation": _estimate(found.aragonite_saturation),
        "ph_total": _estimate(found.ph_total),
    }


def _advice_json(found: Picture, tank: TankTable) -> dict[str, Any]:
    word = found.advice
    if word.dose_dkh_per_day is None or word.correction_dkh_per_day is None:
        because = None if word.withheld_because is None else word.withheld_because.value
        return {"dose_dkh_per_day": None, "correction_dkh": None, "withheld_because": because, "mend": word.mend}
    today = word.dose_dkh_per_day + word.correction_dkh_per_day
    carbonate, level = found.carbonate, found.known.history.seen[-1].dkh
    supplements = []
    for name, table in tank.supplements.items():
        supplement = table.named(name)
        change = None
        if carbonate is not None:
            change = ph_change(
                supplement.salt, today, level, carbonate.carbon_umol_kg.value, found.known.salinity, tank.temperature_c
            )
        supplements.append(
            {
                "name": name,
                "salt": supplement.salt.value,
                "hold_ml_per_day": ml_for(supplement, word.dose_dkh_per_day, tank.volume_l),
                "ml_per_day": ml_for(supplement, today, tank.volume_l),
                "ph_change_if_at_once": change,
                "sodium_mg_l_per_day": sodium_mg_l(today),
                "caution": CAUTIONS[supplement.salt],
            }
        )
    return {
        "dose_dkh_per_day": word.dose_dkh_per_day,
        "correction_dkh": word.correction_dkh,
        "correction_dkh_per_day": word.correction_dkh_per_day,
        "days": word.days,
        "withheld_because": None,
        "mend": None,
        "supplements": supplements,
    }
