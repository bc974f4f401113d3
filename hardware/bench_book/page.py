"""One page a bench, for a builder at the bench: header, wires, tubes, vessel, lid, parts."""

from textwrap import fill

from hardware.bench_book.bench import Bench
from hardware.bench_book.header import rows
from hardware.bench_book.parts import cost_eur, items
from hardware.bench_book.vessel import misfits, placed
from hardware.bench_book.wiring import COLOURS, has_node, one_shots, wiring

from saltern.chemistry.recipes import titrant_recipe
from saltern.cli.recipe import titrant_steps

WHAT = {
    "node": """Pumps and stirrer on the pump node, probes on one RS-485 line, floats on the header. Build this one
    first:
    the node counts every pulse at its pin and has its permits built in; [README](../README.md) says what speaks against
    it.""",
    "serial": """Pumps and floats on the header, three isolated boards on USB. It needs no firmware of ours, and a
    one-shot
    for each permit.""",
    "header": """Pumps, floats and one I2C converter on the header. It costs least, and its one converter costs
    something
    too: four signals share one conversion register and are read in turn, so pH, cell, temperature and the stirrer's
    current wait for each other; one loose plug takes all four away at once; and the isolation that USB boards bring is
    yours to build. Take the node or the serial boards where you can.""",
}

FIRST = """**First.** Switch the supply off and unplug it before you touch a wire. The supply is double insulated,
above and
away from the water, behind a residual-current device (RCD, GFCI) whose test button you press each month; each cable
has a drip loop. Fixed wiring is a licensed electrician's work. Local codes and the data sheets of your parts come
before
this page. There is no acid in the room before the last step of `saltern bring-up`."""

TITRANT = """Bought ready is better. This makes 1 L out of bought acid of 1 mol/L; `saltern recipe titrant` shows it for
other strengths and amounts."""


def page(bench: Bench) -> str:
    """Return the page of a bench, as Markdown; its pictures lie beside it."""
    return "\n".join([*_head(bench), *_header(bench), *_wires(bench), *_water(bench), *_parts(bench)]) + "\n"


def _paragraph(text: str) -> list[str]:
    return [fill(" ".join(text.split()), 120, break_long_words=False, break_on_hyphens=False), ""]


def _head(bench: Bench) -> list[str]:
    return [
        f"# Building the bench of `bench-{bench.title}.toml`",
        "",
        *_paragraph(
            "`python -m hardware.bench_book` writes this page from the bench file; give it yours, and it writes "
            "the page of "
            "your own bench. Nothing here was built yet."
        ),
        *(_paragraph(WHAT[bench.title]) if bench.title in WHAT else []),
        *_paragraph(FIRST),
    ]


def _header(bench: Bench) -> list[str]:
    return [
        "## The header",
        "",
        "By physical pin, two in a row as they stand; pin 1 is the one with the square pad.",
        "",
        "| pin | this bench | this bench | pin |",
        "|---|---|---|---|",
        *(f"| {left} | {use} | {other} | {right} |" for left, use, other, right in rows(bench)),
        "",
    ]


def _wires(bench: Bench) -> list[str]:
    colours = ", ".join(f"{colour} {purpose}" for purpose, colour in COLOURS.items())
    lines = [
        "## Every wire",
        "",
        *_paragraph(
            f"Colours, our own choice: {colours}. Each gate has 100 Ω in series and a pull-down on its board. "
            "Every circuit, "
            "and what goes wrong without its parts: [circuits](../circuits/README.md). A fuse protects the wire "
            "behind it, "
            "so the leads from the supply to the fuses are short. All grounds meet at one star point."
        ),
    ]
    if one_shots(bench):
        halves = "; ".join(f"{role} {package}, Q at pin {h['Q']}" for role, (package, h) in one_shots(bench).items())
        lines += _paragraph(
            f"One-shots by package and half (pins from memory; the data sheet comes first): {halves}. The "
            "capacitor stands "
            "between pins C and RC, the resistor from RC to 5 V."
        )
    if has_node(bench):
        lines += ["Lines of the node are the chip's GP numbers; each of its outputs has a pull-down of 2.2 kΩ.", ""]
    lines += ["| no. | from | to | colour | mm² | fuse |", "|---|---|---|---|---|---|"]
    for number, wire in enumerate(wiring(bench), start=1):
        colour = wire.colour if wire.wires == 1 else f"{wire.wires} wires, {wire.colour}"
        fuse = "" if wire.fuse_a is None else f"{wire.fuse_a:g} A slow"
        lines.append(f"| {number} | {wire.start} | {wire.end} | {colour} | {wire.area_mm2:g} | {fuse} |")
    return [*lines, ""]


def _water(bench: Bench) -> list[str]:
    pictures = f"bench-{bench.title}"
    wrong = misfits(bench)
    return [
        "## Water and acid",
        "",
        f"![Where each tube goes]({pictures}-plumbing.png)",
        "",
        *_paragraph(
            "Clamp each hose before you open a pump head: a full one runs as a siphon. The tray holds more than "
            "the vessel "
            "and the sample line together."
        ),
        "## The vessel",
        "",
        f"![Section, with all heights]({pictures}-section.png)",
        "",
        f"![The lid from above]({pictures}-lid.png)",
        "",
        *(_paragraph(f"**Does not fit:** {'; '.join(wrong)}. Take a wider vessel or thinner probes.") if wrong else []),
        "| hole | for | diameter, mm | right of the middle, mm | above it, mm |",
        "|---|---|---|---|---|",
        *(
            f"| {number} | {hole.name} | {hole.diameter_mm:g} | {hole.x_mm:g} | {hole.y_mm:g} |"
            for number, hole in enumerate(placed(bench), start=1)
        ),
        "",
        "Usual sizes; measure your own probes before you drill.",
        "",
    ]


def _parts(bench: Bench) -> list[str]:
    listed = items(bench)
    low, high = cost_eur(listed)
    return [
        "## Parts",
        "",
        *_paragraph(
            f"From [parts.csv](../parts.csv), counted for this bench: {low:.0f} to {high:.0f} EUR together. "
            "Prices are for "
            "one, rough and from memory; nobody was asked for an offer."
        ),
        "| how many | part | for | what matters | EUR each | note |",
        "|---|---|---|---|---|---|",
        *(
            f"| {one.count} | {one.part} | {one.used_for} | {one.matters} "
            f"| {one.eur[0]:g} to {one.eur[1]:g} | {one.note} |"
            for one in listed
        ),
        "",
        "## The titrant",
        "",
        *_paragraph(TITRANT),
        *_titrant(bench),
    ]


def _titrant(bench: Bench) -> list[str]:
    wanted = bench.table["titrant"]
    made = titrant_recipe(wanted["concentration_mol_per_l"], 1.0, 1.0, wanted.get("background", "water"))
    cautions = [f"- **{caution}**" for caution in made.cautions]
    return [*cautions, "", *(f"{number}. {step}" for number, step in enumerate(titrant_steps(made), start=1))]
