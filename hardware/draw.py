"""Draws the wiring and the vessel: `python hardware/draw.py` writes hardware/drawings/*.svg and *.png.

What is drawn follows the example benches: pins from config/bench-simulated.toml, heights from its vessel.
"""

import tomllib
from pathlib import Path

import matplotlib as mpl
import schemdraw
import schemdraw.elements as elm
from matplotlib import pyplot as plt
from matplotlib.patches import FancyArrow, Rectangle

HERE = Path(__file__).parent
OUT = HERE / "drawings"
BENCH = tomllib.loads((HERE.parent / "config" / "bench-simulated.toml").read_text())
INK, WATER, ACID, SAFE = "#1f2933", "#7fb7d6", "#d98c5f", "#3c7a57"

mpl.use("Agg")
mpl.rcParams.update({"font.size": 10, "svg.hashsalt": "saltern", "axes.edgecolor": INK, "text.color": INK})
schemdraw.config(fontsize=11, lw=1.4, color=INK)


def vessel(bench=BENCH):
    """Return the section of the vessel with every height of a bench file."""
    v = bench["vessel"]
    fig, ax = plt.subplots(figsize=(9.6, 6.4))
    ax.set_aspect("equal")
    ax.axis("off")
    left, width, wall = 0.0, 50.0, 2.0
    sample_mm = bench["sample"]["volume_ml"] * 10.0 / v["area_cm2"]
    ax.add_patch(Rectangle((left - wall, -wall), wall, 95, color=INK))
    ax.add_patch(Rectangle((left + width, -wall), wall, v["spout_mm"] + wall, color=INK))
    ax.add_patch(Rectangle((left + width, v["spout_mm"] + 5), wall, 95 - wall - v["spout_mm"] - 5, color=INK))
    ax.add_patch(Rectangle((left - wall, -wall), width + 2 * wall, wall, color=INK))
    ax.add_patch(Rectangle((left, 0), width, sample_mm, color=WATER, alpha=0.45, lw=0))
    ax.plot(
        [left + width, left + width + 16, left + width + 16], [v["spout_mm"], v["spout_mm"] - 4, 2], color=INK, lw=2
    )
    ax.add_patch(Rectangle((-22, -14), 112, 3, color=INK))
    ax.add_patch(Rectangle((-22, -14), 2, 10, color=INK))
    ax.add_patch(Rectangle((88, -14), 2, 10, color=INK))
    ax.add_patch(Rectangle((72, -11), 8, 2, color=SAFE))
    ax.text(70.5, -9.8, "leak sensor", ha="right", va="center", color=SAFE)
    ax.text(34, -21, "tray under everything that holds water", ha="center")
    tubes = (
        (7, v["waste_tip_mm"], INK, "waste: to the floor"),
        (16, v["titrant_tip_mm"], ACID, "titrant: bore 0.8 mm or less, tip down"),
        (43, 85.0, WATER, "sample: ends above the spout, an air gap"),
    )
    for x, tip, colour, _ in tubes:
        ax.plot([x, x], [tip, 108], color=colour, lw=3.2, solid_capstyle="butt")
    ax.add_patch(FancyArrow(7, 100, 0, 6, width=0.6, head_width=2.4, color=INK))
    ax.add_patch(FancyArrow(16, 106, 0, -6, width=0.6, head_width=2.4, color=ACID))
    ax.add_patch(FancyArrow(43, 106, 0, -6, width=0.6, head_width=2.4, color="#3a7ca5"))
    probes = ((23, v["ph_tip_mm"], "pH"), (30, v["conductivity_tip_mm"], "cell"), (37, 12.0, "T"))
    for x, tip, name in probes:
        ax.add_patch(Rectangle((x - 1.8, tip), 3.6, 96 - tip, facecolor="white", edgecolor=INK, lw=1.4))
        ax.text(x, 98, name, ha="center")
    ax.add_patch(Rectangle((18, 0.6), 20, 2.4, color=INK))
    ax.text(28, -8, "stirrer bar", ha="center")
    ax.add_patch(Rectangle((46, v["overfill_switch_mm"] - 2), 3, 4, color=SAFE))
    heights = (
        (v["spout_mm"], "passive spout into the tray", INK),
        (v["overfill_switch_mm"], "overfill float (and a second one in hardware)", SAFE),
        (sample_mm, f"the sample, {bench['sample']['volume_ml']:.0f} mL", "#3a7ca5"),
        (v["titrant_tip_mm"], "titrant tip: 25 mm or more, below the surface", ACID),
        (v["ph_tip_mm"], "pH tip: 6 mm or more", INK),
        (v["conductivity_tip_mm"], "conductivity cell: dry means empty", INK),
        (v["waste_tip_mm"], "waste tip", INK),
    )
    label_y = [86.0, 75.0, 55.0, 40.0, 29.0, 18.0, 7.0]
    for (mm, text, colour), y in zip(heights, label_y, strict=True):
        ax.plot([width + wall + 1, 76, 92], [mm, y, y], color=colour, lw=0.8)
        ax.text(93, y, f"{mm:g} mm  {text}", va="center", color=colour)
    for (x, _, colour, text), y in zip(tubes, (122, 117, 112), strict=True):
        ax.text(x, y, text, ha="left", color=INK if colour == WATER else colour)
        ax.plot([x, x], [108, y - 1], color=colour, lw=0.8)
    ax.set_xlim(-26, 172)
    ax.set_ylim(-26, 128)
    return fig


def pump_channel():
    """Draw one DC pump: two switches in series, drive and run-permit, each able to stop it alone."""
    pump = BENCH["pumps"]["waste"]
    with schemdraw.Drawing(show=False) as d:
        d += elm.Vdd().at((12, 9.6)).label("12 V, fused")
        d += (motor := elm.Motor().down(2.2).at((12, 9.6)))
        d += elm.Label().at((10.6, 8.5)).label("pump", loc="left")
        d += elm.Line().right(2).at(motor.start)
        d += elm.Diode().down(2.2).reverse().label("flyback", loc="bottom")
        d += elm.Line().left(2)
        d += (drive := elm.NFet(bulk=False).right().reverse().anchor("drain").at(motor.end))
        d += elm.Label().at((12.3, 6.6)).label("drive: logic-level N-channel", loc="right")
        d += (permit := elm.NFet(bulk=False).right().reverse().anchor("drain").at((12, 3.0)))
        d += elm.Line().at(drive.source).to(permit.drain)
        d += elm.Label().at((12.3, 2.1)).right().label("permit: logic-level N-channel", loc="right")
        d += elm.Ground().at(permit.source)
        _gate(d, drive.gate, f"drive, GPIO {pump['drive']['pin']}")
        d += elm.Line().left(1.6).at(permit.gate)
        d += (q := elm.Dot())
        d += elm.Resistor().down(2).at(q.center).label("10 kΩ", loc="bottom")
        d += elm.Ground()
        d += elm.Line().left(0.6).at(q.center)
        shot = (
            elm.Ic(
                pins=[
                    elm.IcPin(name="trigger", side="left", slot="1/1"),
                    elm.IcPin(name="Q", side="right", slot="1/1"),
                    elm.IcPin(name="R C", side="bot", slot="1/1"),
                ],
                size=(5.2, 2.4),
                label="retriggerable\none-shot, 0.5 s",
            )
            .right()
            .anchor("inR1")
        )
        d += shot
        d += elm.Line().down(0.5).at(shot.inB1)
        d += elm.Label().label("HCT123 on 5 V: 0.45 R C,\n910 kΩ 1 %, 1 µF film", loc="bottom", fontsize=10)
        d += elm.Line().left(0.8).at(shot.inL1)
        d += (trigger := elm.Dot())
        d += elm.Resistor().down(2).at(trigger.center).label("10 kΩ", loc="bottom")
        d += elm.Ground()
        d += elm.Line().left(1.2).at(trigger.center)
        d += (end := elm.Dot(open=True))
        d += (
            elm.Label()
            .at((end.center[0], end.center[1] + 0.3))
            .label(f"permit, GPIO {pump['permit']['pin']}", loc="top")
        )
        d.save(str(OUT / "pump-channel.svg"))
        d.save(str(OUT / "pump-channel.png"), dpi=130)


def _gate(d, at, label):
    d += elm.Line().left(1.6).at(at)
    d += (node := elm.Dot())
    d += elm.Resistor().down(1.6).at(node.center).label("10 kΩ", loc="bottom")
    d += elm.Ground()
    d += elm.Resistor().left(2.0).at(node.center).label("100 Ω")
    d += (end := elm.Dot(open=True))
    d += elm.Label().at((end.center[0] - 0.2, end.center[1])).label(label, loc="left")


def stepper():
    """Draw one stepper: step and direction from the computer, enable pulled down by drive and permit in series."""
    pump = BENCH["pumps"]["titrant"]
    with schemdraw.Drawing(show=False) as d:
        d += (
            chip := elm.Ic(
                pins=[
                    elm.IcPin(name="step", side="left", slot="3/3"),
                    elm.IcPin(name="direction", side="left", slot="2/3"),
                    elm.IcPin(name="enable", side="left", slot="1/3", invert=True),
                    elm.IcPin(name="motor supply", side="top", slot="1/1"),
                    elm.IcPin(name="coils", side="right", slot="1/1"),
                ],
                size=(6.4, 4.2),
                label="stepper driver",
            ).at((8, 6))
        )
        d += elm.Line().up(0.8).at(chip.inT1)
        d += elm.Vdd().label("12 V: fuse, stop button,\nand the second float's relay")
        d += elm.Line().right(1.0).at(chip.inR1)
        d += elm.Label().label("motor", loc="right")
        for pin, name in ((chip.inL1, "step"), (chip.inL2, "direction")):
            d += elm.Line().left(1.2).at(pin)
            d += elm.Dot(open=True)
            d += elm.Label().label(f"GPIO {pump['drive'][f'{name}_pin']}", loc="left")
        d += elm.Line().left(4.4).at(chip.inL3)
        d += (node := elm.Dot())
        d += elm.Resistor().up(2.6).at(node.center).label("4.7 kΩ", loc="top")
        d += elm.Vdd().label("3.3 V")
        d += (
            drive := elm.NFet(bulk=False).right().reverse().anchor("drain").at((node.center[0], node.center[1] - 0.4))
        )
        d += elm.Line().at(node.center).to(drive.drain)
        d += (
            permit := elm.NFet(bulk=False)
            .right()
            .reverse()
            .anchor("drain")
            .at((drive.source[0], drive.source[1] - 1.6))
        )
        d += elm.Line().at(drive.source).to(permit.drain)
        d += elm.Ground().at(permit.source)
        _gate(d, drive.gate, f"enable, GPIO {pump['drive']['enable_pin']}")
        _gate(d, permit.gate, "one-shot of the permit")
        d.save(str(OUT / "stepper.svg"))
        d.save(str(OUT / "stepper.png"), dpi=130)


def inputs():
    """Draw a normally closed input, and the second float that needs no computer."""
    with schemdraw.Drawing(show=False) as d:
        d += elm.Vdd().label("3.3 V").at((6.2, 4))
        d += elm.Resistor().down(2).label("2.2 kΩ", loc="bottom")
        d += (field := elm.Dot())
        d += elm.Line().right(1.6)
        d += elm.Button(nc=True).down(2).label("float, normally closed:\nopen or broken reads full", loc="bottom")
        d += elm.Ground()
        d += elm.Resistor().left(2.6).at(field.center).label("1 kΩ")
        d += (node := elm.Dot())
        d += elm.Capacitor().down(2).label("100 nF", loc="bottom")
        d += elm.Ground()
        d += elm.Line().left(1.6).at(node.center)
        d += (clamp := elm.Dot())
        d += elm.Schottky().up(2).at(clamp.center)
        d += elm.Vdd().label("3.3 V")
        d += elm.Schottky().down(2).reverse().at(clamp.center)
        d += elm.Ground()
        d += elm.Line().left(1.2).at(clamp.center)
        d += elm.Dot(open=True)
        d += elm.Label().label(f"GPIO {BENCH['switches']['overfill']['pin']}", loc="left")
        d += elm.Vdd().label("12 V").at((15.0, 4))
        d += elm.Button(nc=True).down(2).label("second float,\na little higher", loc="bottom")
        d += (coil := elm.Dot())
        d += elm.Inductor2(loops=4).down(2).label("relay coil,\n400 Ω", loc="bottom")
        d += elm.Ground()
        d += elm.Line().left(1.4).at(coil.center)
        d += elm.Diode().down(2).reverse()
        d += elm.Line().right(1.4)
        d += elm.Vdd().label("12 V").at((20.2, 4))
        d += elm.Switch().down(2).label("its contact, closed\nwhile the coil is fed", loc="bottom")
        d += elm.Line().down(0.6)
        d += elm.Dot(open=True)
        d += elm.Label().label("pumps of sample and titrant,\nnever of waste", loc="bottom")
        d.save(str(OUT / "inputs.svg"))
        d.save(str(OUT / "inputs.png"), dpi=130)


def power():
    """Draw what is fed from what, and where the isolation is."""
    fig, ax = plt.subplots(figsize=(12.5, 6.4))
    ax.axis("off")
    ax.set_xlim(0, 125)
    ax.set_ylim(-2, 62)

    def box(x, y, w, h, text, colour=INK):
        ax.add_patch(Rectangle((x, y), w, h, facecolor="white", edgecolor=colour, lw=1.6))
        ax.text(x + w / 2, y + h / 2, text, ha="center", va="center", color=colour)

    def arrow(x0, y0, x1, y1, text="", dx=0.0, dy=1.2):
        ax.annotate("", (x1, y1), (x0, y0), arrowprops={"arrowstyle": "-|>", "color": INK, "lw": 1.4})
        ax.text((x0 + x1) / 2 + dx, (y0 + y1) / 2 + dy, text, ha="center", fontsize=9)

    box(1, 44, 24, 13, "mains behind an RCD\n(GFCI), above and\naway from the water", ACID)
    box(32, 44, 22, 13, "12 V supply,\ndouble insulated,\na fuse per branch")
    box(61, 44, 20, 13, "stop button, in\nthe 12 V of\nall pumps", SAFE)
    box(88, 44, 36, 13, "pump channels: permit and\ndrive in series, each with a\npull-down of its own")
    box(32, 25, 22, 11, "5 V converter, 3 A")
    box(61, 22, 20, 16, "single-board\ncomputer,\nor pump node")
    box(88, 25, 36, 11, "floats, leak, waste level:\nnormally closed, to ground", SAFE)
    box(61, 4, 20, 11, "isolated USB\nor RS-485\nconverters")
    box(88, 11, 36, 7, "pH board, its own isolation")
    box(88, 1, 36, 7, "conductivity board, its own isolation")
    arrow(25, 50, 32, 50)
    arrow(54, 50, 61, 50)
    arrow(81, 50, 88, 50)
    arrow(43, 44, 43, 36)
    arrow(54, 30, 61, 30)
    arrow(76, 38, 93, 44, "GPIO or serial", dx=-5, dy=2)
    arrow(88, 30, 81, 30)
    arrow(71, 22, 71, 15)
    arrow(81, 11, 88, 14)
    arrow(81, 8, 88, 5)
    ax.plot([84.5, 84.5], [-1, 19], color=ACID, lw=1.4, ls=(0, (4, 3)))
    ax.text(86, 20, "isolation: a barrier for each probe", ha="left", color=ACID, fontsize=9)
    ax.text(1, 32, "A drip loop on every cable;\nnothing electrical below the\nwater line of any vessel.", va="center")
    save(fig, "power")


def save(fig, name):
    fig.savefig(OUT / f"{name}.svg", bbox_inches="tight", metadata={"Date": None})
    fig.savefig(OUT / f"{name}.png", bbox_inches="tight", dpi=130)
    plt.close(fig)


def main():
    OUT.mkdir(exist_ok=True)
    save(vessel(), "vessel")
    for draw in (pump_channel, stepper, inputs, power):
        draw()


if __name__ == "__main__":
    main()
