"""Draws what hands do in each step of the first day: `python hardware/draw_hands.py` writes drawings/hands-*.png."""

from pathlib import Path

import matplotlib as mpl
from matplotlib import pyplot as plt
from matplotlib.patches import Arc, Circle, FancyArrowPatch, Polygon, Rectangle

OUT = Path(__file__).parent / "drawings"
INK, WATER, SAFE, ACID, PALE = "#1f2933", "#7fb7d6", "#3c7a57", "#c4622d", "#eef2f5"

mpl.use("Agg")
mpl.rcParams.update({"font.size": 10, "text.color": INK})


class Panel:
    """One picture of 100 by 80 with a caption."""

    def __init__(self, ax, caption):
        self.ax = ax
        ax.set_aspect("equal")
        ax.axis("off")
        ax.set_xlim(0, 100)
        ax.set_ylim(-24, 78)
        ax.text(50, -5, caption, ha="center", va="top", fontsize=10)

    def box(self, x, y, w, h, fill="white", edge=INK):
        self.ax.add_patch(Rectangle((x, y), w, h, facecolor=fill, edgecolor=edge, lw=1.5))

    def disc(self, x, y, r, fill="white", edge=INK):
        self.ax.add_patch(Circle((x, y), r, facecolor=fill, edgecolor=edge, lw=1.5))

    def line(self, *points, colour=INK, width=1.5):
        self.ax.plot([x for x, _ in points], [y for _, y in points], color=colour, lw=width)

    def arrow(self, start, end, colour=SAFE, bent=0.0):
        style = f"arc3,rad={bent}"
        self.ax.add_patch(
            FancyArrowPatch(
                start, end, arrowstyle="-|>", mutation_scale=16, color=colour, lw=2.0, connectionstyle=style
            )
        )

    def say(self, x, y, text, colour=INK, size=9, side="center"):
        self.ax.text(x, y, text, ha=side, va="center", color=colour, fontsize=size)

    def pump(self, x, y, r=11.0):
        self.disc(x, y, r)
        for dx, dy in ((0.0, 0.55), (-0.48, -0.28), (0.48, -0.28)):
            self.disc(x + r * dx, y + r * dy, 0.22 * r, fill=PALE)

    def vessel(self, x, level, colour=WATER):
        self.ax.add_patch(Rectangle((x, 8), 30, level, facecolor=colour, alpha=0.5, lw=0))
        self.line((x, 56), (x, 8), (x + 30, 8), (x + 30, 48))
        self.line((x + 30, 48), (x + 37, 45))

    def crossed(self, x, y, r=11.0):
        self.line((x - r, y - r), (x + r, y + r), colour=ACID, width=3.0)
        self.line((x - r, y + r), (x + r, y - r), colour=ACID, width=3.0)


def outputs(ax):
    p = Panel(ax, "2 outputs: a meter at each permit and drive;\nit rises, and falls again")
    p.box(8, 18, 38, 36, PALE)
    p.say(27, 47, "permit board")
    for x in (14, 22, 30, 38):
        p.disc(x, 24, 2.2)
    p.disc(74, 40, 17)
    p.ax.add_patch(Arc((74, 36), 22, 22, theta1=40, theta2=140, color=INK, lw=1.2))
    p.line((74, 34), (81, 46), width=2.0)
    p.say(74, 29, "0 … 3.3 V", size=8)
    p.line((30, 24), (50, 8), (70, 23), colour=ACID)
    p.line((38, 24), (56, 12), (76, 23))


def inputs(ax):
    p = Panel(ax, "3 inputs: lift it, let it down,\nthen wiggle its plug")
    p.line((30, 12), (30, 70), width=3.0)
    p.box(22, 34, 16, 14, PALE)
    p.arrow((46, 32), (46, 58))
    p.arrow((51, 58), (51, 32))
    p.box(72, 34, 16, 12, PALE)
    p.line((80, 34), (80, 10))
    p.arrow((66, 54), (94, 54), bent=-0.4)
    p.arrow((94, 26), (66, 26), bent=-0.4)


def permits(ax):
    p = Panel(ax, "4 permits: film LED and clock together;\nread how long it stays on")
    p.box(6, 6, 60, 66, PALE)
    p.box(10, 14, 52, 52)
    p.disc(24, 40, 6, fill="#d94f3d")
    p.say(24, 28, "LED", size=8)
    p.disc(46, 40, 12)
    p.line((46, 40), (46, 49), width=2.0)
    p.line((46, 40), (53, 43), width=2.0)
    p.disc(36, 10, 2)
    p.say(84, 44, "0.5 s", SAFE, 12)
    p.say(84, 34, "not 5", ACID)


def turning(ax):
    p = Panel(ax, "5 turning: hoses out, fingers away;\nwhich way do the rollers go?")
    p.pump(50, 36, 24)
    p.arrow((20, 52), (48, 70), bent=-0.35)
    p.line((6, 6), (30, 6), (40, 2), colour=WATER, width=4.0)
    p.say(78, 6, "hose, beside", size=8)


def water(ax):
    p = Panel(ax, "6 water: one cup by hand;\nit must go to the container")
    p.vessel(28, 10)
    p.ax.add_patch(Polygon([(10, 64), (24, 72), (30, 62), (18, 54)], facecolor=PALE, edgecolor=INK, lw=1.5))
    p.arrow((28, 62), (40, 30), WATER, bent=-0.3)
    p.pump(72, 66, 9)
    p.line((48, 12), (48, 66), (63, 66), width=2.0)
    p.line((81, 66), (88, 66), (88, 34), width=2.0)
    p.box(78, 8, 20, 24, PALE)
    p.arrow((90, 60), (90, 36))


def leaks(ax):
    p = Panel(ax, "7 leaks: dry papers under every joint;\ncome back in an hour")
    p.vessel(20, 30)
    p.box(6, 0, 66, 3, INK)
    for x in (12, 34, 54):
        p.box(x, 3.4, 12, 1.6, "white")
    p.disc(86, 50, 12)
    p.line((86, 50), (86, 59), width=2.0)
    p.line((86, 50), (92, 50), width=2.0)
    p.say(86, 32, "1 h")


def floats(ax):
    p = Panel(ax, "8 floats: hold each up, press stop;\nthe pump stands still at once")
    p.vessel(14, 26)
    p.line((36, 66), (36, 40), width=2.0)
    p.box(32, 36, 8, 8, PALE)
    p.arrow((48, 30), (48, 58))
    p.pump(78, 52, 14)
    p.crossed(78, 52, 14)
    p.disc(78, 16, 8, fill="#d94f3d")
    p.say(92, 16, "stop", size=8)


def probes(ax):
    p = Panel(ax, "9 probes: one alone, motors on and off,\nthen both in the buffer")
    p.ax.add_patch(Rectangle((22, 8), 32, 22, facecolor="#e7d9a8", alpha=0.7, lw=0))
    p.line((22, 40), (22, 8), (54, 8), (54, 40))
    for x, name in ((30, "pH"), (46, "cell")):
        p.box(x - 2, 16, 4, 46)
        p.say(x, 67, name, size=8)
    p.say(38, 12, "6.86", size=8)
    p.pump(82, 52, 12)
    p.say(82, 30, "signal must\nnot jump", SAFE)


def kill(ax):
    p = Panel(ax, "10 kill: end the service while the pump\nturns; it stands still in half a second")
    p.box(4, 22, 48, 36, INK)
    p.say(28, 44, "$ sudo kill -9 …", "white", 8)
    p.pump(78, 42, 15)
    p.crossed(78, 42, 15)
    p.arrow((54, 40), (62, 41))


def weighed(ax):
    p = Panel(ax, "11 vessel: wiped dry, then poured into from\na tared jug until the float lifts")
    p.box(4, 8, 36, 8, PALE)
    p.say(22, 12, "0.00 g", size=8)
    p.ax.add_patch(Polygon([(12, 16), (32, 16), (35, 42), (9, 42)], facecolor=WATER, alpha=0.5, lw=0))
    p.line((12, 16), (32, 16), (35, 42))
    p.line((12, 16), (9, 42))
    p.arrow((30, 46), (66, 52), WATER, bent=-0.4)
    p.vessel(56, 36)
    p.box(76, 40, 8, 8, PALE)


def acid(ax):
    p = Panel(ax, "12 acid: goggles and gloves first;\nthe label says what, how strong, since when")
    for x in (20, 38):
        p.disc(x, 54, 8)
    p.line((28, 54), (30, 54))
    p.line((12, 54), (6, 60))
    p.line((46, 54), (52, 60))
    p.ax.add_patch(
        Polygon([(14, 8), (40, 8), (40, 26), (44, 34), (38, 36), (36, 30), (14, 30)], facecolor=PALE, edgecolor=INK)
    )
    p.line((64, 8), (92, 8), (92, 50), (84, 58), (84, 66), (72, 66), (72, 58), (64, 50), (64, 8))
    p.box(66, 18, 24, 22, "white", ACID)
    p.say(78, 34, "acid", ACID, 8)
    p.say(78, 28, "0.05 mol/L", ACID, 6)
    p.say(78, 22, "2026-03-02", ACID, 6)


PICTURES = {
    "hands-dry": (outputs, inputs, permits, turning),
    "hands-wet": (water, leaks, floats, probes, kill, weighed, acid),
}


def main():
    for name, panels in PICTURES.items():
        rows = (len(panels) + 3) // 4
        fig, axes = plt.subplots(rows, 4, figsize=(13.0, 3.4 * rows), squeeze=False)
        for ax in axes.flat:
            ax.axis("off")
        for ax, panel in zip(axes.flat, panels, strict=False):
            panel(ax)
        fig.subplots_adjust(left=0.0, right=1.0, bottom=0.0, top=1.0, wspace=0.04, hspace=0.02)
        fig.savefig(OUT / f"{name}.png", dpi=90, bbox_inches="tight")
        plt.close(fig)


if __name__ == "__main__":
    main()
