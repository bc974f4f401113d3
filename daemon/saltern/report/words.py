"""Numbers and times in a page's words: k = 2, the bench's own clock."""

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from saltern.chemistry.units import umol_kg_to_dkh

COVERAGE = 2.0
_NOW, _THEN = "ml_per_day", "hold_ml_per_day"
NEAR = {0: "today", -1: "yesterday", 1: "tomorrow"}


def dkh_and_spread(determination: dict[str, Any]) -> tuple[str, str] | None:
    """Return for example ("8.03", "0.05"), k = 2, of a determination as JSON; None where nothing was measured."""
    alkalinity = determination["alkalinity"]
    if alkalinity["dkh"] is None:
        return None
    salinity = determination["salinity"]["value"]
    per_umol_kg = umol_kg_to_dkh(1.0, 35.0 if salinity is None else salinity)
    u = alkalinity["u"]
    if u is None:
        return f"{alkalinity['dkh']:.2f}", "?"
    spread = COVERAGE * u * per_umol_kg
    digits = 3 if 0.0 < spread < 0.01 else 2  # an uncertainty is never shown as zero
    return f"{alkalinity['dkh']:.{digits}f}", f"{spread:.{digits}f}"


def change(determination: dict[str, Any]) -> str:
    """Return how it has changed since yesterday, k = 2; empty where nothing says it."""
    found = determination.get("change")
    if found is None:
        return ""
    over = ", over a new titre factor" if found["across_titre_factors"] else ""
    return f"{signed(found['dkh'])} ± {COVERAGE * found['u_dkh']:.2f} dKH since yesterday{over}"


def signed(value: float, digits: int = 2) -> str:
    """Return a number with its sign, the minus sign of the trade."""
    return f"{value:+.{digits}f}".replace("-", "−")


def estimate(found: dict[str, float], digits: int = 2) -> str:
    """Return an estimate of the tank's picture, k = 2."""
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


def consumption(tank: dict[str, Any] | None) -> str:
    """Return what the tank consumes, over the shortest window of the tank's picture."""
    found = None if tank is None else tank["consumption"]
    if found is None or found["too_early"] or not found["windows"]:
        return "too early to say"
    window = found["windows"][0]
    return f"{estimate(window['consumption_dkh_per_day'])} dKH a day, over {window['days']:.0f} days"


def advice(tank: dict[str, Any] | None) -> str:
    """Return what to dose, in the keeper's own supplements where the bench file names them."""
    word = None if tank is None else tank["advice"]
    if word is None:
        return "none: the bench file has no table [tank], or nothing was measured"
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
        return over_days(f"{hold + word['correction_dkh_per_day']:.2f} dKH", f"{hold:.2f} dKH")
    doses = [f"{one['name']} {over_days(f'{one[_NOW]:.0f} mL', f'{one[_THEN]:.0f} mL')}" for one in word["supplements"]]
    return "; ".join(doses)
