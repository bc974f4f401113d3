"""Where each tube goes: from tank, bottle and vessel, through the heads, at which height it begins and ends."""

from math import pi
from pathlib import Path
from typing import Any

from hardware.bench_book.bench import Bench
from matplotlib import pyplot as plt
from matplotlib.patches import Circle, FancyArrowPatch, Rectangle

INK, WATER, ACID, WASTE = "#1f2933", "#3a7ca5", "#c4622d", "#7a6a55"


def volume_ml(line: dict[str, Any]) -> float:
    """Return what a line holds."""
    return pi * (line["bore_mm"] / 2.0) ** 2 * line["length_mm"] / 1000.0


def tube(line: dict[str, Any]) -> str:
    """Return a tube in words: "3.2 mm bore, 900 mm, 7.2 mL"."""
    return f"{line['bore_mm']:g} mm bore, {line['length_mm']:g} mm, {volume_ml(line):.1f} mL"


def draw_plumbing(bench: Bench, to: Path) -> None:
    """Draw it for a page's width; heights are above the vessel's floor."""
    pumps, vessel = bench.table["pumps"], bench.table["vessel"]
    fig, ax = plt.subplots(figsize=(9.0, 7.2))
    ax.set_aspect("equal")
    ax.axis("off")
    ax.set_xlim(0, 120)
    ax.set_ylim(-22, 84)

    def box(x: float, y: float, w: float, h: float, text: str, fill: float, colour: str) -> None:
        ax.add_patch(Rectangle((x, y), w, h * fill, facecolor=colour, alpha=0.25, lw=0))
        ax.add_patch(Rectangle((x, y), w, h, fill=False, edgecolor=INK, lw=1.6))
        ax.text(x + w / 2, y - 2.5, text, ha="center", va="top", fontsize=9)

    def line(points: list[tuple[float, float]], colour: str) -> None:
        ax.plot([x for x, _ in points], [y for _, y in points], color=colour, lw=2.4)

    def head(x: float, y: float, name: str, colour: str, angle: tuple[float, float]) -> None:
        ax.add_patch(Circle((x, y), 4.2, facecolor="white", edgecolor=INK, lw=1.6))
        dx, dy = angle
        ax.add_patch(
            FancyArrowPatch((x - dx, y - dy), (x + dx, y + dy), arrowstyle="-|>", mutation_scale=12, color=colour)
        )
        ax.text(x, y + 5.5, name, ha="center", fontsize=9)

    def note(x: float, y: float, text: str, colour: str, side: str = "left") -> None:
        ax.text(x, y, text, ha=side, va="center", fontsize=8, color=colour)

    sample, waste, titrant = (pumps[role]["line"] for role in ("sample", "waste", "titrant"))
    box(2, 8, 26, 22, "tank: its surface below\nthe vessel's spout", 0.8, WATER)
    box(50, 24, 22, 30, "vessel under its lid", 0.6, WATER)
    box(84, 8, 12, 22, "titrant, below\nthe vessel", 0.8, ACID)
    box(102, 8, 16, 22, "waste, vented", 0.3, WASTE)
    ax.add_patch(Rectangle((46, 15.5), 34, 2.0, color=INK))

    line([(15, 14), (15, 66), (56, 66), (56, 56)], WATER)
    head(34, 66, "sample pump", WATER, (2.4, 0.0))
    line([(90, 12), (90, 44), (90, 66), (67, 66), (67, 40)], ACID)
    head(80, 66, "titrant pump", ACID, (-2.4, 0.0))
    line([(61, 25), (61, 76), (110, 76), (110, 32)], WASTE)
    head(98, 76, "waste pump", WASTE, (2.4, 0.0))
    line([(72, 48), (77, 46), (77, 20)], INK)

    for x, y, number, colour in ((15, 48, 1, WATER), (90, 48, 2, ACID), (110, 50, 3, WASTE)):
        ax.text(x, y, f" {number} ", ha="center", va="center", fontsize=10, color="white",
                bbox={"boxstyle": "circle", "facecolor": colour, "lw": 0})  # fmt: skip
    note(48.5, 46, f"spout, {vessel['spout_mm']:g} mm: what comes\nabove runs into the tray", INK, "right")
    note(45, 16.5, "tray, with\nthe leak sensor", INK, "right")
    lines = (
        (
            WATER,
            f"1  {tube(sample)}; from {sample['inlet_mm']:g} to {sample['outlet_mm']:g} mm, an air gap",
        ),
        (
            ACID,
            f"2  {tube(titrant)}; from {titrant['inlet_mm']:g} to {titrant['outlet_mm']:g} mm, never silicone",
        ),
        (WASTE, f"3  {tube(waste)}; from {waste['inlet_mm']:g} to {waste['outlet_mm']:g} mm, never back to the tank"),
        (INK, "Heights are above the vessel's inner floor."),
    )
    for number, (colour, text) in enumerate(lines):
        ax.text(2, -6 - 4.5 * number, text, fontsize=9, color=colour)
    fig.savefig(to, bbox_inches="tight", dpi=120)
    plt.close(fig)
