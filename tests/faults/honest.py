"""`python -m tests.faults.honest`: by kind and size of fault, whether it is found, harmless to the number, or blind.

Each fault acts from the second determination on, for good, on benches whose own errors are small. A cell says, for the
results that were accepted afterwards, the largest error in stated uncertainties; and when something was first told.
"""

from concurrent.futures import ProcessPoolExecutor

from tests.faults.campaign import DETERMINATIONS, EVERY_H, SOUND_SEEDS, STRUCK, Case, play_and_report

SIZES: dict[str, tuple[float | None, ...]] = {
    "drain-partial": (2.0, 5.0, 10.0),
    "pump-gain-shift": (-0.02, -0.05, -0.1),
    "titrant-line-air": (0.02, 0.05, 0.2),
    "sample-line-air": (0.02, 0.05, 0.1),
    "titrant-wrong-strength": (-0.05, -0.2, -0.5),
    "ph-noisy": (1.0, 5.0, 10.0),
    "ph-slope-lost": (0.95, 0.9, 0.8),
    "ph-drift": (0.2, 0.5, 2.0),
    "conductivity-bubble": (-0.05, -0.1, -0.3),
    "temperature-offset": (0.5, 1.0, 3.0),
    "ph-frozen": (None,),
    "ph-disconnected": (None,),
    "conductivity-disconnected": (None,),
    "temperature-open": (None,),
    "titrant-empty": (None,),
    "titrant-pump-stalled": (None,),
    "sample-pump-stalled": (None,),
    "stirrer-stopped": (None,),
    "sample-pump-runaway": (None,),
    "titrant-pump-runaway": (None,),
}
UNTIL: dict[str, str] = {
    "drain-partial": "balance or reference",
    "pump-gain-shift": "pump calibration, balance or reference",
    "titrant-line-air": "the next determination",
    "sample-line-air": "balance or reference",
    "titrant-wrong-strength": "reference",
    "ph-slope-lost": "buffers",
    "ph-drift": "buffers",
    "conductivity-bubble": "conductivity standard",
    "temperature-offset": "a second thermometer",
}
"""What shows a fault that no single determination can see."""


def row(kind: str, size: float | None) -> str:
    """Return one line of the table."""
    worst = {"alkalinity": 0.0, "ph_total": 0.0, "salinity": 0.0}
    accepted = suspect = void = 0
    first_h: list[float] = []
    for seed in SOUND_SEEDS[:5]:
        fault = {"kind": kind, "at_h": EVERY_H - 0.1}
        if size is not None:
            fault["size"] = size
        reported = play_and_report(Case(seed, (fault,)))
        for entry in reported["determinations"][STRUCK - 1 :]:
            verdict = entry["alkalinity"]["verdict"]
            accepted, suspect, void = (
                accepted + (verdict == "accepted"),
                suspect + (verdict == "suspect"),
                void + (verdict == "void"),
            )
            for name in worst:
                q = entry[name]
                value = q["umol_per_kg" if name == "alkalinity" else "value"]
                if q["verdict"] == "accepted":
                    worst[name] = max(worst[name], abs(value - q["truth"]) / q["u"])
        told = [a["at_h"] for a in reported["alerts"] if a["code"] != "proof-due" and a["at_h"] >= fault["at_h"]]
        first_h += [told[0] - fault["at_h"]] if told else []
    wrong = [name for name, sigmas in worst.items() if sigmas > 3.3]
    found = f"told after {max(first_h) * 60:.0f} min" if len(first_h) == 5 else f"told in {len(first_h)} of 5"
    verdict = "within" if not wrong else f"BLIND in {', '.join(wrong)} until {UNTIL.get(kind, '?')}"
    sigmas = " ".join(f"{worst[name]:6.1f}" for name in worst)
    amount = "" if size is None else f"{size:g}"
    return f"{kind:26} {amount:>6} {accepted:3} {suspect:3} {void:3}  {sigmas}  {found:22} {verdict}"


def main() -> None:
    print("fault, from determination 3      size acc sus voi  largest error of accepted, in u")
    print(f"{'':46}   alk     pH   sal")
    cells = [(kind, size) for kind, sizes in SIZES.items() for size in sizes]
    with ProcessPoolExecutor() as pool:
        for line in pool.map(row, *zip(*cells, strict=True)):
            print(line, flush=True)
    print(f"({DETERMINATIONS - 1} starts on each of 5 benches; good instruments)")


if __name__ == "__main__":
    main()
