"""A person's hands at the simulated bench: they do what they are asked, read scales and thermometers, and err.

What stands in beakers and bottles is known here from other sources than the service's own: buffers by a table of three
temperatures, conductivity by gsw itself, masses in air by the textbook's buoyancy. A bottle holds what was asked for.
"""

import re
from collections.abc import Callable, Mapping
from typing import Any, Literal

import gsw
import numpy as np

from saltern.ports import MisuseError, Wires
from saltern_drivers.twin import first_day
from saltern_drivers.twin.beaker import Beaker
from saltern_drivers.twin.density import seawater_g_ml
from saltern_drivers.twin.tank import Tank
from saltern_drivers.twin.world import World

ROOM_C = 24.0
BUFFER_TEMPERATURES_C = (20.0, 25.0, 30.0)
BUFFERS = {  # Bates 1962
    "phosphate": (6.881, 6.865, 6.853),
    "phthalate": (4.001, 4.005, 4.011),
    "borax": (9.225, 9.180, 9.139),
}
TITRANT_G_ML = 1.0245  # 0.05 mol/L HCl in 0.7 mol/kg NaCl
CONDUCTIVITY_PER_K = 0.02
"""Of a standard that is known by its label alone, near room temperature (a handbook's rule of thumb)."""

NACL_OVER_SEAWATER = 1.0265 / 1.0236
"""Density of 4.09 % NaCl at 24 degC (handbook) over that of seawater of salinity 35."""

SCALE_SD_G, CYLINDER_SD_ML, THERMOMETER_SD_K, GLANCE_SD_K = 0.006, 0.3, 0.1, 0.3
NOTHING = "nothing"
"""What forgetful hands do."""

MISTAKES: dict[str, dict[str, Any]] = {
    "practice": {},
    "wrong-buffer": {"bottle phosphate": "borax"},
    "buffers-swapped": {"bottle phosphate": "phthalate", "bottle phthalate": "phosphate"},
    "one-buffer-twice": {"bottle phthalate": "phosphate"},
    "wrong-standard": {"cell-in 35": "cell-in 42"},
    "standards-swapped": {"cell-in 28": "cell-in 35", "cell-in 35": "cell-in 28"},
    "bubble-at-the-cell": {"bubble": 0.7},
    "cold-beaker": {"beaker_c": 8.0},
    "wrong-thermometer": {"off": 6.0},
    "line-in-the-vessel": {"sample-line-out": NOTHING, "titrant-line-out": NOTHING},
    "line-in-the-beaker": {"sample-line-back": NOTHING, "titrant-line-back": NOTHING},
    "inlet-in-the-reference": {"inlet-back": NOTHING},
    "bottle-not-changed": {"bottle-changed": NOTHING},
    "weak-bottle": {"strength": 0.97},
    "tris-buffer-off": {"tris": 0.2},
    **first_day.MISTAKES,
}
"""What hands may do wrong, by name: what is done instead of what a key asks, and what is wrong with what they hold."""

HandsName = Literal[
    "practice", "wrong-buffer", "buffers-swapped", "one-buffer-twice", "wrong-standard", "standards-swapped",
    "bubble-at-the-cell", "cold-beaker", "wrong-thermometer", "line-in-the-vessel", "line-in-the-beaker",
    "inlet-in-the-reference", "bottle-not-changed", "weak-bottle", "tris-buffer-off",
    "permit-not-wired", "drive-not-wired", "permit-never-lapses", "permit-lapses-late", "plugs-swapped", "loose-plug",
    "motors-left-off", "waste-reversed", "sample-reversed", "waste-reversed-not-looked-at",
    "sample-reversed-not-looked-at", "titrant-reversed-not-looked-at", "waste-reversed-container-full",
    "water-not-salted", "acid-too-early",
    "sample-line-beside", "titrant-line-in-a-beaker", "hose-drips", "float-not-lifted", "second-float-not-wired",
    "stop-not-pressed", "ground-loop-of-the-stirrer", "ground-loop-of-a-pump",
    "ground-loop-of-the-probes", "jug-not-tared", "acid-not-put-in",
    "inlet-left-in-the-bucket",
]  # fmt: skip


def tris_ph_free(temperature_c: float) -> float:
    """Return pH, free scale, of equimolal tris in artificial seawater of S 35.

    DelValls & Dickson 1998: 8.0936 at 25 degC on the total scale, falling by 0.0309 a kelvin near there (from memory);
    the free scale lies 0.108 above it at S 35.
    """
    return 8.0936 - 0.0309 * (temperature_c - 25.0) + 0.108


def in_air_g(ml: float, density_g_ml: float) -> float:
    """Return what a scale shows of a volume: weights of 8.0 g/mL, air of 0.0012."""
    return ml * density_g_ml * (1.0 - 0.0012 / density_g_ml) / (1.0 - 0.0012 / 8.0)


def bottle(alkalinity_umol_kg: float, *, of_nacl: bool = False) -> Tank:
    """Return a bottle of known alkalinity: seawater of S 33.5, or carbonate in NaCl of the ionic strength of S 35."""
    return Tank(
        alkalinity_umol_kg=alkalinity_umol_kg,
        salinity=35.0 if of_nacl else 33.5,
        temperature_c=ROOM_C,
        consumption_dkh_per_day=0.0,
        dosed_dkh_per_day=0.0,
        mass_g=1e12,  # a bottle is not topped up with fresh water, as a tank is
        natural_share=0.0 if of_nacl else 1.0,
        heavier=NACL_OVER_SEAWATER if of_nacl else 1.0,
    )


class Hands:
    """Hands at a world.

    Parameters
    ----------
    world
        Where they are.
    looked_at
        Called when something was changed: switches and boards show it then.
    seed
        Of what scales and thermometers scatter.
    mistakes
        What they do wrong; of `MISTAKES`, or single ones. What is done for a key is swapped by that key.
    bottles
        Waters that they hold, by the key that asks for one; where there is none, one is made as asked for.
    """

    def __init__(
        self,
        world: World,
        looked_at: Callable[[], None] = lambda: None,
        *,
        seed: int = 1,
        mistakes: Mapping[str, Any] | None = None,
        bottles: Mapping[str, Tank] | None = None,
    ) -> None:
        self.world = world
        self.mistakes: dict[str, Any] = dict(mistakes or {})
        self.bottles: dict[str, Tank] = dict(bottles or {})
        self._standing: dict[str, Tank] = {}  # made as asked for, by the same keys
        self._looked_at = looked_at
        self._random = np.random.default_rng(seed)
        self._first_day = first_day.FirstDay(world, self._random, self.mistakes)

    def do(self, key: str, text: str = "") -> None:
        """Do what a question asks to be done.

        Parameters
        ----------
        key, text
            The question's key, and its words: how strong a bottle is to be stands in them.

        Raises
        ------
        MisuseError
            Hands do not know how.
        """
        self.world.catch_up()
        self._act(str(self.mistakes.get(key, key)), text)
        self.world._dirty = True
        self._looked_at()

    def put_back(self) -> None:
        """Put lines, inlets and probes back where they belong, as after a procedure that broke off."""
        self.world.catch_up()
        self.world.collecting.clear()
        self.world.source = self.world.beaker = None
        self.world._dirty = True
        self._looked_at()

    def read(self, key: str, unit: str = "") -> float:
        """Return what the instrument shows that a question asks for.

        Raises
        ------
        MisuseError
            Hands do not know where to look.
        """
        if key == "collected":
            return self._collected(unit) + float(self.mistakes.get("spilled", 0.0))
        if key == "liquid-temperature":
            return ROOM_C + float(self._random.normal(0.0, GLANCE_SD_K))
        if key == "thermometer" and self.world.beaker is not None:
            shown = self.world.beaker.temperature_c + self._random.normal(0.0, THERMOMETER_SD_K)
            return round(float(shown), 1) + float(self.mistakes.get("off", 0.0))
        seen = self._first_day.read(key)
        if seen is not None:
            return seen
        raise MisuseError(f"nobody knows what to read for {key!r}", where="hands", remedy="Give an answer for that key")

    def _act(self, key: str, text: str) -> None:
        world, (what, _, of) = self.world, key.partition(" ")
        if what.endswith("-line-out"):
            world.collecting[what.removesuffix("-line-out")] = 0.0
        elif what.endswith("-line-back"):
            world.collecting.clear()
        elif what == "tare":
            world.collecting.update(dict.fromkeys(world.collecting, 0.0))
        elif key == "probes-in tris":
            off = float(self.mistakes.get("tris", 0.0))
            world.beaker = self._beaker(ph_free=lambda t: tris_ph_free(t) + off)
        elif what == "probes-in":
            world.beaker = self._beaker(ph_nbs=self._buffer(of))
        elif what == "cell-in":
            world.beaker = self._beaker(conductivity_ms_cm=_standard(of))
            world.beaker.bubble = float(self.mistakes.get("bubble", 1.0))
            world.beaker.bubble_rattles = float(self.mistakes.get("rattles", 0.0))
        elif what == "thermometer-beside":
            world.beaker = self._beaker()
        elif what in ("probes-back", "cell-back", "thermometer-away"):
            world.beaker = None
        elif what in ("inlet-in-reference", "inlet-in-high", "inlet-in-low"):
            world.source = self.bottles.get(what) or self._made(what, text)
        elif what in ("inlet-back", "inlets-back"):
            world.source = None
        elif what == "bottle-changed":
            world.bottle_ml = float(world.bench["titrant"]["bottle_ml"])
            world.titrant_factor = float(self.mistakes.get("strength", 1.0))
        elif what.endswith("-inlet-in-water"):
            world.source = Tank(alkalinity_umol_kg=50.0, salinity=2.0)
        elif what == "spiked":
            world.tank.alkalinity_umol_kg += float(self.mistakes.get("added", _asked_umol_kg(text)))
        elif what not in IN_PLACE and not self._first_day.do(key, text):
            raise MisuseError(f"nobody knows how to do {key!r}", where="hands", remedy="Teach it to twin/hands.py")

    def _made(self, what: str, text: str) -> Tank:
        """Return the bottle that is asked for; asked whether the inlet is in it, the one that stands there already."""
        if what not in self._standing or IN_DOUBT not in text:
            self._standing[what] = bottle(_asked_umol_kg(text), of_nacl=what != "inlet-in-reference")
        return self._standing[what]

    def _beaker(self, **liquid: Any) -> Beaker:
        beaker = Beaker(at_s=self.world.at_s, **liquid)
        beaker.temperature_c = float(self.mistakes.get("beaker_c", ROOM_C))
        beaker.probe_c = ROOM_C
        return beaker

    def _buffer(self, name: str) -> Callable[[float], float]:
        name = str(self.mistakes.get(f"bottle {name}", name))
        if name in BUFFERS:
            return lambda t: float(np.interp(t, BUFFER_TEMPERATURES_C, BUFFERS[name]))
        label = _number(name, f"there is no bottle of {name}")
        return lambda t: label

    def _collected(self, unit: str) -> float:
        if not self.world.collecting:
            return 0.0  # no line ends over what stands on the scale
        ((pump, ml),) = self.world.collecting.items()
        if unit == "mL":
            return max(0.0, round(ml + float(self._random.normal(0.0, CYLINDER_SD_ML)), 1))
        water = self.world.source or self.world.tank
        shown = in_air_g(ml, seawater_g_ml(water.salinity, ROOM_C) if pump == "sample" else TITRANT_G_ML)
        return max(0.0, round(shown + float(self._random.normal(0.0, SCALE_SD_G)), 2))


IN_PLACE = (NOTHING, "probes-in-storage", "tubes-released", "tubes-in", "probes-in-vessel", "inlet-in-bucket")
"""What changes nothing in this world."""


IN_DOUBT = "looks like your tank"
"""A question with these words names what was measured, and not how strong the reference is."""


def at_wires(wires: Wires, *, seed: int = 1, mistakes: Mapping[str, Any] | None = None) -> Hands:
    """Return hands at the world that is behind a process's wires."""
    return Hands(wires.pins.world, wires.pins.refresh_inputs, seed=seed, mistakes=mistakes)


def _asked_umol_kg(text: str) -> float:
    """Return how strong a water is to be, as a question says it."""
    found = re.search(r"(\d+(?:\.\d+)?) umol/kg", text)
    if found is None:
        raise MisuseError(f"how strong is it to be? {text!r}", where="hands", remedy="Give the hands a bottle")
    return float(found[1])


def _standard(name: str) -> Callable[[float], float]:
    """Return the conductivity of a standard by temperature: of a practical salinity, or by its label at 25 degC."""
    label = re.fullmatch(r"([0-9.]+) mS/cm", name)
    if label is not None:
        at_25_ms_cm = float(label[1])
        return lambda t: at_25_ms_cm * (1.0 + CONDUCTIVITY_PER_K * (t - 25.0))
    salinity = _number(name, f"there is no bottle of {name}")
    return lambda t: float(gsw.C_from_SP(salinity, t, 0.0))


def _number(text: str, otherwise: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise MisuseError(otherwise, where="hands", remedy="Choose another, or teach it to twin/hands.py") from None
