"""What a bench cannot see, by kind of fault, size and quantity; with the physical reason, and what shows it.

A case is never excused as a whole: a result is judged on every quantity that no row names, and on those that one does
name wherever the fault is smaller or larger than it says, or was not there while the result came about.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from math import inf
from typing import Any


@dataclass(frozen=True)
class Blind:
    """One row. Sizes are those of the scenario, as amounts: a fraction of -0.05 has the size 0.05."""

    kind: str
    quantity: str
    least: float
    most: float
    why: str
    shown_by: str
    pumps: tuple[str, ...] = ()  # empty: whichever
    passing: bool = False  # alone where it ends by itself
    beginning: bool = False  # alone in the result during which it begins


BEFORE_THE_VESSEL = "what is wrong is before the vessel: less sample comes, and the titration is a perfect one of it"
WEIGHED = "a balance, or a reference"
BLIND: tuple[Blind, ...] = (
    Blind(
        "drain-partial",
        "alkalinity",
        0.0,
        12.0,
        "what stays below the cell's tip is old sample, which the pump's count does not have",
        WEIGHED,
    ),
    Blind("pump-gain-shift", "alkalinity", 0.0, 0.12, BEFORE_THE_VESSEL, WEIGHED, ("sample",)),
    Blind(
        "pump-gain-shift",
        "alkalinity",
        0.0,
        0.12,
        "a dose is counted in steps; each is off by the same share, as a strength would be",
        "a reference, or a calibration of the pump",
        ("titrant",),
    ),
    Blind(
        "head-leak",
        "alkalinity",
        0.0,
        2.5,
        "a worn head lets so much run back while it pumps: a millilitre a minute is 1 % of what it gives",
        WEIGHED,
        ("sample",),
    ),
    Blind(
        "head-leak",
        "alkalinity",
        0.15,
        1.5,
        "up to 2 % of the sample runs out between fill and end point; two drains repeat to 1 to 2 %",
        WEIGHED,
        ("waste",),
    ),
    Blind(
        "head-leak",
        "alkalinity",
        0.15,
        1.5,
        "sample and acid run up the titrant line behind the dose; what stands in it at rest shows in the next run",
        "the next determination",
        ("titrant",),
        beginning=True,
    ),
    Blind("sample-line-air", "alkalinity", 0.0, 0.12, BEFORE_THE_VESSEL, WEIGHED),
    Blind(
        "titrant-wrong-strength",
        "alkalinity",
        0.0,
        0.12,
        "acid of another strength titrates to the same end point with another volume",
        "a reference",
    ),
    Blind(
        "conductivity-bubble",
        "salinity",
        0.0,
        0.4,
        "a bubble in the cell takes the same share of every reading: it is a cell of another constant",
        "a conductivity standard",
    ),
    Blind(
        "conductivity-bubble",
        "ph_total",
        0.05,
        0.4,
        "the constants of the pH that is reported are taken at the salinity that is measured",
        "a conductivity standard",
    ),
    Blind(
        "temperature-offset",
        "ph_total",
        0.75,
        inf,
        "the electrode's slope and the constants are taken at the temperature that is measured",
        "a second thermometer",
    ),
    Blind(
        "temperature-offset",
        "salinity",
        0.75,
        inf,
        "conductivity goes by 2 % a kelvin",
        "a second thermometer",
    ),
    Blind(
        "ph-slope-lost",
        "ph_total",
        0.0,
        0.85,
        "one solution says nothing of a slope, and the titration's own is found below pH 4.5",
        "two buffers",
    ),
    Blind(
        "sample-pump-runaway",
        "alkalinity",
        0.0,
        inf,
        "a drive that turns by itself between two proofs of its permit, and stops, has added what nobody counted",
        WEIGHED,
        passing=True,
    ),
    Blind(
        "titrant-pump-runaway",
        "alkalinity",
        0.0,
        inf,
        "a drive that turns by itself between two proofs of its permit, and stops, has added what nobody counted",
        "a reference",
        passing=True,
    ),
    Blind(
        "tube-off",
        "beside",
        0.0,
        inf,
        "the waste line's end has no sensor: what leaves the vessel is seen, where it goes is not",
        "the keeper's eye, or a container on the balance",
        ("waste",),
    ),
    Blind(
        "database-corrupt",
        "records",
        0.0,
        inf,
        "pages that a card has overwritten are gone",
        "`records-damaged` and the file that is put aside",
    ),
)

SIZES: Mapping[str, float] = {
    "head-leak": 0.5,
    "drain-partial": 5.0,
    "pump-gain-shift": 0.05,
    "sample-line-air": 0.05,
    "titrant-wrong-strength": 0.5,
    "conductivity-bubble": 0.3,
    "temperature-offset": 3.0,
    "ph-slope-lost": 0.8,
}
"""What a scenario means that gives no size (design, section 5)."""


def is_blind(fault: Mapping[str, Any], quantity: str, *, begins: bool = False) -> bool:
    """Return whether a row of the table names this fault, at its size, for a quantity.

    `begins` says whether the fault began while the result came about.
    """
    size = fault.get("size")
    amount = SIZES.get(fault["kind"], 0.0) if size is None else abs(size)
    pump = fault.get("pump", "sample")
    return any(
        row.kind == fault["kind"]
        and row.quantity == quantity
        and row.least <= amount <= row.most
        and (not row.pumps or pump in row.pumps)
        and (not row.passing or "for_h" in fault)
        and (not row.beginning or begins)
        for row in BLIND
    )
