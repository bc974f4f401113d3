"""Numbers and times in the keeper's words: k = 2, the keeper's unit of alkalinity, the bench's own clock."""

from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from saltern.chemistry.alkalinity_unit import (
    COVERAGE,
    USUAL_SALINITY,
    AlkalinityUnit,
    from_dkh,
    said,
    said_with_u,
    written,
)
from saltern.chemistry.units import umol_kg_to_dkh

NEVER_BY_ONE_NUMBER = "Never dose by one number alone: look at the tank, and test by other means before a large change."
_NOW, _THEN = "ml_per_day", "hold_ml_per_day"
NEAR = {0: "today", -1: "yesterday", 1: "tomorrow"}


def per_umol_kg(alkalinity: dict[str, Any], unit: AlkalinityUnit) -> float:
    """Return what one umol/kg is in this unit, by a result as JSON that holds it in dKH as well.

    No density is computed where it is not needed: the library for it takes a small computer a second to load.
    """
    if unit is AlkalinityUnit.UMOL_KG:
        return 1.0
    umol_kg = alkalinity["umol_per_kg"]
    return from_dkh(alkalinity["dkh"] / umol_kg if umol_kg else umol_kg_to_dkh(1.0, USUAL_SALINITY), unit)


def alkalinity(found: dict[str, Any], unit: AlkalinityUnit) -> tuple[str, str] | None:
    """Return for example ("8.03", "0.05"), k = 2, of an alkalinity as JSON; None where nothing was measured."""
    if found["umol_per_kg"] is None:
        return None
    factor, u = per_umol_kg(found, unit), found["u"]
    return written(factor * found["umol_per_kg"], None if u is None else factor * u, unit)


def change(determination: dict[str, Any], unit: AlkalinityUnit) -> str:
    """Return for example "−0.12 ± 0.04 dKH since yesterday", k = 2; empty where nothing says it."""
    found = determination.get("change")
    if found is None:
        return ""
    value, spread = change_and_spread(found, unit)
    over = ", over a new titre factor" if found["across_titre_factors"] else ""
    return f"{value} ± {spread} {unit.value} since yesterday{over}"


def change_and_spread(found: dict[str, Any], unit: AlkalinityUnit) -> tuple[str, str]:
    """Return for example ("−0.12", "0.04"), k = 2, of a change as JSON."""
    if unit is AlkalinityUnit.UMOL_KG:
        value, u = found["umol_per_kg"], found["u"]
    else:
        value, u = (from_dkh(found[key], unit) for key in ("dkh", "u_dkh"))
    said_value, spread = written(value, u, unit, signed=True)
    return with_minus(said_value), spread


def with_minus(number: str) -> str:
    """Return a number with the minus sign of the trade."""
    return number.replace("-", "−")


def estimate(
    found: dict[str, float],
    unit: AlkalinityUnit,
    salinity: float | None,
    *,
    signed: bool = False,
    more_digits: int = 0,
) -> str:
    """Return an estimate of the tank's picture, which is in dKH or dKH a day, in the keeper's unit, k = 2."""
    said_so = said_with_u(found["value"], found["u"], unit, salinity, signed=signed, more_digits=more_digits)
    return with_minus(said_so)


def plain(found: dict[str, float], digits: int) -> str:
    """Return an estimate that has no unit of alkalinity, k = 2."""
    return f"{found['value']:.{digits}f} ± {COVERAGE * found['u']:.{digits}f}"


def quantity(found: dict[str, Any], digits: int) -> str:
    """Return a quantity of a determination as JSON, k = 2; a dash for what was not measured."""
    if found["value"] is None:
        return "–"
    spread = "?" if found["u"] is None else f"{COVERAGE * found['u']:.{digits}f}"
    return f"{found['value']:.{digits}f} ± {spread}"


def clock(at: datetime, now: datetime, zone: ZoneInfo) -> str:
    """Return a time by the bench's clock: "today 16:00", "Tue 24 Nov 16:00", or with its year."""
    local, here = at.astimezone(zone), now.astimezone(zone)
    near = NEAR.get((local.date() - here.date()).days)
    if near is not None:
        return f"{near} {local:%H:%M}"
    return f"{local:%a %d %b %H:%M}" if local.year == here.year else f"{local:%d %b %Y %H:%M}"


def days(count: float) -> str:
    """Return a stretch of days, rounded down: what runs out is never said to last longer than it does."""
    whole = int(max(0.0, count))
    return "less than a day" if whole < 1 else "1 day" if whole == 1 else f"{whole} days"


def consumption(tank: dict[str, Any] | None, unit: AlkalinityUnit) -> str:
    """Return what the tank consumes, over the shortest window of the tank's picture."""
    if tank is None:
        return "too early to say"
    found = tank["consumption"]
    if found is None:
        return "not known: it takes three results of the last four weeks"
    if found["too_early"] or not found["windows"]:
        return "too early to say"
    window = found["windows"][0]
    a_day = estimate(window["consumption_dkh_per_day"], unit, tank["salinity"])
    return f"{a_day} a day, over {window['days']:.0f} days"


def ahead(tank: dict[str, Any], unit: AlkalinityUnit, zone: ZoneInfo) -> str:
    """Return when the tank leaves its band if nothing else is done, or that it has; empty where neither is in sight."""
    found = tank["forecast"]
    if found is None or found["leaves_at_utc"] is None:
        return ""
    # a whole day is a midnight: it is left in the day before
    when = datetime.fromisoformat(found["leaves_at_utc"]).astimezone(zone) - timedelta(hours=1)
    way = "below" if found["downwards"] else "above"
    sure = min(99, round(100 * found["probability"]))
    limit = said(found["limit_dkh"], unit, tank["salinity"])
    taken = tank["consumption"]
    level = None if taken is None else taken["level_dkh"]["value"]
    if level is not None and (level < found["limit_dkh"]) is found["downwards"]:
        return f"it is {way} {limit} now, out of its band"
    return f"{way} {limit}, out of its band, on {when:%A %d %B} if nothing else is done, {sure} % sure"


def carbonate(found: dict[str, Any]) -> str:
    """Return the carbonate system, k = 2."""
    carbon, pco2, aragonite = (
        plain(found[key], digits)
        for key, digits in (("carbon_umol_kg", 0), ("pco2_uatm", 0), ("aragonite_saturation", 1))
    )
    return f"carbon {carbon} umol/kg, CO2 {pco2} uatm, aragonite saturation {aragonite}"


def advice(tank: dict[str, Any] | None, unit: AlkalinityUnit) -> str:
    """Return what to dose, in the keeper's own supplements where the bench file names them."""
    if tank is None or tank["advice"] is None:
        return "none: the bench file has no table [tank], or nothing was measured"
    word = tank["advice"]
    if word["withheld_because"] is not None:
        return f"none ({word['withheld_because']}): {word['mend']} Keep to the last dose meanwhile."
    count = word["days"]

    def over_days(now: str, then: str) -> str:
        """Return a dose, and what it is once the correction is in."""
        if not count:
            return f"{now} a day"
        if count == 1:
            return f"{now} for one day, then {then} a day"
        return f"{now} a day for {count} days, then {then}"

    if not word["supplements"]:
        hold = word["dose_dkh_per_day"]
        now = hold + word["correction_dkh_per_day"]
        return over_days(said(now, unit, tank["salinity"]), said(hold, unit, tank["salinity"]))
    doses = [f"{one['name']} {over_days(f'{one[_NOW]:.0f} mL', f'{one[_THEN]:.0f} mL')}" for one in word["supplements"]]
    return "; ".join(doses)
