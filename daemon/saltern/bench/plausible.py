"""Readings that no bench can give: a probe that is unplugged, shorted or at a rail. Pure."""

from saltern.ports import Reading

POSSIBLE: dict[tuple[str, str], tuple[float, float]] = {
    ("ph", "mV"): (-700.0, 700.0),  # pH -4 to 18 by Nernst, with offset and slope to spare
    ("ph", "pH"): (-1.0, 15.0),
    ("conductivity", "mS/cm"): (-0.5, 120.0),  # seawater of salinity 45 at 40 degC: 87
    ("conductivity", "uS/cm"): (-500.0, 120_000.0),
    ("temperature", "degC"): (2.0, 45.0),
    ("stirrer", "mA"): (-50.0, 5000.0),
    ("stirrer", "rpm"): (0.0, 6000.0),
    ("balance", "g"): (-5000.0, 5000.0),
}
"""What each probe can send in a vessel of tank water, titrated or not, or in air."""


def implausible(role: str, reading: Reading) -> str | None:
    """Return what is impossible about a reading, or None."""
    low, high = POSSIBLE.get((role, reading.unit), (float("-inf"), float("inf")))
    if low <= reading.value <= high:
        return None
    return f"{reading.value:g} {reading.unit} is impossible: between {low:g} and {high:g} can be"
