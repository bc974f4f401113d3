"""What is asked about before it is written down: more than a tank of this size takes, or than living water holds.

Asked is not refused: the keeper says that it is so (`--yes`, `sure` over the socket).
"""

from collections.abc import Sequence
from datetime import datetime, timedelta

from saltern.chemistry.alkalinity_unit import AlkalinityUnit, said
from saltern.chemistry.supplements import CEILING_DKH_PER_DAY, Salt, dkh_of, grams_for
from saltern.config.tank import TankTable
from saltern.model.logbook import AnyEntry, Dose, DoserChange, Logged, OtherTest, WaterChange

USUAL: dict[str, tuple[float, float, str]] = {
    "alkalinity_dkh": (4.0, 15.0, "dKH"),
    "ph": (7.4, 8.9, ""),
    "salinity": (28.0, 40.0, ""),
    "calcium_mg_l": (250.0, 650.0, "mg/L"),
    "magnesium_mg_l": (900.0, 1800.0, "mg/L"),
    "phosphate_mg_l": (0.0, 2.0, "mg/L"),
    "nitrate_mg_l": (0.0, 150.0, "mg/L"),
}
"""What the water of a living reef tank holds (assumed, wide): beyond it a decimal point is likelier than the value."""

MOST_CHANGED = 0.6
"""Of the tank's water at once; more is done in an emergency."""

MOST_A_DOSE = 0.01
"""Of the tank's volume, of a supplement whose strength is not known."""

MOST_DOSED_DKH_PER_DAY = 6.0
OLD = timedelta(days=400)


def asks(entry: AnyEntry, at: datetime, now: datetime, tank: TankTable | None, unit: AlkalinityUnit) -> list[str]:
    """Return what is unlikely of an entry, in words and in the keeper's unit; nothing where it is usual."""
    found = [f"{(now - at).days} days ago"] if now - at > OLD else []
    if isinstance(entry, OtherTest) and entry.quantity in USUAL:
        found += _outside(entry.quantity, entry.value, unit)
    elif isinstance(entry, WaterChange):
        found += [] if entry.alkalinity_dkh is None else _outside("alkalinity_dkh", entry.alkalinity_dkh, unit)
        found += [] if entry.salinity is None else _outside("salinity", entry.salinity, unit)
    return found if tank is None else found + _of_the_tank(entry, tank, unit)


def _outside(quantity: str, value: float, unit: AlkalinityUnit) -> list[str]:
    low, high, its_unit = USUAL[quantity]
    if low <= value <= high:
        return []
    if quantity == "alkalinity_dkh":
        between = f"{said(low, unit)} to {said(high, unit)}"
        return [f"alkalinity {said(value, unit)}, where {between} is usual in a reef tank"]
    name = quantity.split("_")[0]
    return [f"{name} {value:g}{f' {its_unit}' if its_unit else ''}, where {low:g} to {high:g} is usual in a reef tank"]


def _of_the_tank(entry: AnyEntry, tank: TankTable, unit: AlkalinityUnit) -> list[str]:
    if isinstance(entry, WaterChange) and entry.litres > MOST_CHANGED * tank.volume_l:
        return [f"{entry.litres:g} L into a tank of {tank.volume_l:g} L"]
    if isinstance(entry, Dose):
        rise = _rise_dkh(entry, tank)
        if rise is not None and rise > CEILING_DKH_PER_DAY:
            most = said(CEILING_DKH_PER_DAY, unit)
            what = f"{entry.amount:g} {entry.unit} of {entry.chemical}"
            return [f"{what} raise {tank.volume_l:g} L by {said(rise, unit)} at once, where {most} a day is the most"]
        if rise is None and entry.amount / 1000.0 > MOST_A_DOSE * tank.volume_l:
            return [f"{entry.amount:g} {entry.unit} into a tank of {tank.volume_l:g} L"]
    if isinstance(entry, DoserChange):
        known = tank.supplement(entry.supplement)
        a_day = None if known is None else dkh_of(known, entry.ml_per_day, tank.volume_l)
        if a_day is not None and a_day > MOST_DOSED_DKH_PER_DAY:
            return [
                f"{entry.ml_per_day:g} mL of {entry.supplement} are {said(a_day, unit)} a day in {tank.volume_l:g} L"
            ]
    return []


def _rise_dkh(dose: Dose, tank: TankTable) -> float | None:
    """Return by how much a dose raises the tank; None where its strength is not known."""
    supplement = tank.supplement(dose.chemical)
    if supplement is None:
        return None
    if dose.unit == "mL":
        return dkh_of(supplement, dose.amount, tank.volume_l)
    if supplement.salt is Salt.OWN:
        return None
    return dose.amount / grams_for(supplement.salt, 1.0, tank.volume_l)


def note(entry: AnyEntry, tank: TankTable | None) -> str | None:
    """Return what the keeper should know of an entry that is kept: that it does not count as a dose, and why."""
    name = entry.chemical if isinstance(entry, Dose) else entry.supplement if isinstance(entry, DoserChange) else None
    if name is None or tank is None or not tank.supplements:
        return None
    if tank.supplement(name) is not None:
        return None
    known = ", ".join(sorted(tank.supplements))
    return f"{name!r} is not among tank.supplements ({known}): its strength is not known, and it does not count"


def there_already(entry: AnyEntry, at: datetime, logged: Sequence[Logged]) -> bool:
    """Return whether the log says the same of the same minute."""
    return any(abs(one.at - at) < timedelta(minutes=1) and one.entry == entry for one in logged)
