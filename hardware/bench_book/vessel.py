"""The vessel from above: where each probe, float and tube goes through the lid, and that all of them fit."""

from dataclasses import dataclass
from math import hypot, pi, sqrt
from pathlib import Path

from hardware.bench_book.bench import Bench
from matplotlib import pyplot as plt
from matplotlib.patches import Circle, Rectangle

CLEARANCE_MM = 1.0
"""Between two of them, and to the wall: a float must not touch, and a hand must get one out (assumed)."""

BAR_MM = 20.0
"""The stirrer bar; what reaches the floor stands outside of the circle that it sweeps."""

DRAWN_FOR_MM = 50.46
"""Inner diameter that the places below were found for: 20 cm2."""


@dataclass(frozen=True)
class Hole:
    """What goes through the lid, its outer diameter, and where, from the middle (mm, seen from above)."""

    name: str
    diameter_mm: float
    x_mm: float
    y_mm: float
    reaches_floor: bool = False


HOLES = (
    Hole("pH electrode", 12.0, 5.0, 16.9),
    Hole("conductivity cell", 16.0, 3.7, -14.8),
    Hole("temperature probe", 6.0, 0.1, 7.4),
    Hole("overfill float", 18.0, -13.4, 5.8),
    Hole("second float", 18.0, 14.2, 2.2),
    Hole("sample tube", 6.4, -6.0, -6.3),
    Hole("waste tube", 6.4, -17.2, -10.9, reaches_floor=True),
    Hole("titrant tube", 4.0, 1.9, -2.9),
)
"""Usual sizes: electrodes 12 mm, cells 12 to 16 mm, small floats 18 mm, tubes of 3.2 mm bore 6.4 mm (from memory).

The places were found by a minimiser with what `misfits` and these ask: titrant where the bar stirs, and 18 mm from
electrode and waste tube; the sample 12 mm from the electrode.
"""


def inner_mm(bench: Bench) -> float:
    """Return the vessel's inner diameter."""
    return 20.0 * sqrt(bench.table["vessel"]["area_cm2"] / pi)


def placed(bench: Bench) -> tuple[Hole, ...]:
    """Return the holes for this vessel: in a wider or narrower one they move outward or inward with its wall."""
    share = inner_mm(bench) / DRAWN_FOR_MM
    return tuple(
        Hole(hole.name, hole.diameter_mm, round(hole.x_mm * share, 1), round(hole.y_mm * share, 1), hole.reaches_floor)
        for hole in HOLES
    )


def misfits(bench: Bench) -> list[str]:
    """Return what does not fit: two that touch, one at the wall, one in the way of the bar."""
    holes, radius = placed(bench), inner_mm(bench) / 2.0
    found = []
    for number, hole in enumerate(holes):
        own = hole.diameter_mm / 2.0
        if hypot(hole.x_mm, hole.y_mm) + own + CLEARANCE_MM > radius:
            found.append(f"{hole.name} and the wall")
        if hole.reaches_floor and hypot(hole.x_mm, hole.y_mm) - own - CLEARANCE_MM < BAR_MM / 2.0:
            found.append(f"{hole.name} and the stirrer bar")
        for other in holes[:number]:
            apart = hypot(hole.x_mm - other.x_mm, hole.y_mm - other.y_mm)
            if apart < own + other.diameter_mm / 2.0 + CLEARANCE_MM:
                found.append(f"{other.name} and {hole.name}")
    return found


def draw_lid(bench: Bench, to: Path) -> None:
    """Draw the lid as a plan to drill by, at about twice its size on a page."""
    fig, ax = plt.subplots(figsize=(6.0, 6.0))
    ax.set_aspect("equal")
    ax.axis("off")
    radius = inner_mm(bench) / 2.0
    ax.add_patch(Circle((0, 0), radius, fill=False, lw=2.0))
    ax.add_patch(Circle((0, 0), BAR_MM / 2.0, fill=False, lw=0.8, ls=(0, (4, 3))))
    ax.add_patch(Rectangle((-BAR_MM / 2.0, -2.5), BAR_MM, 5.0, fill=False, lw=0.8, ls=(0, (4, 3))))
    for number, hole in enumerate(placed(bench), start=1):
        ax.add_patch(Circle((hole.x_mm, hole.y_mm), hole.diameter_mm / 2.0, facecolor="#e8eef2", edgecolor="#1f2933"))
        ax.text(hole.x_mm, hole.y_mm, str(number), ha="center", va="center", fontsize=11)
    ax.plot([-radius, radius], [-radius - 3.0] * 2, color="#1f2933", lw=1.0, marker="|", ms=8)
    ax.text(0, -radius - 6.0, f"inner diameter {inner_mm(bench):.1f} mm", ha="center")
    ax.text(0, radius + 2.0, "from above; dashed: the stirrer bar on the floor", ha="center", fontsize=9)
    ax.set_xlim(-radius - 4, radius + 4)
    ax.set_ylim(-radius - 9, radius + 6)
    fig.savefig(to, bbox_inches="tight", dpi=120)
    plt.close(fig)
