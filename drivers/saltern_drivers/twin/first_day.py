"""Hands at a bench that nobody has tried yet: meters, plugs, cups of water, a jug on a scale, a finger on the button.

They see the world as a person would, and no more: whether an LED was lit, which way rollers went, where water is now.
"""

import re
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np

from saltern.ports import MisuseError
from saltern_drivers.twin.tank import Tank
from saltern_drivers.twin.world import World

SALTED_G_ML = 1.023
"""35 g of kitchen salt in a litre (handbook tables; from memory)."""

BUOYED = 1.0 - 0.0012 / SALTED_G_ML + 0.0012 / 8.0
SCALE_SD_G, FILM_SD_S, WATCH_SD_S = 0.05, 0.02, 0.15
DRY_G = 0.2
"""A wiped vessel is not quite dry; the world's liquids have no zero mass."""

WIGGLED_S = 10.0
OVER_ML = 0.5
"""Who pours slowly stops so much after the float has lifted."""

SEES_SHARE = 0.3
"""A level that falls or rises by so much of what was poured in is seen."""

NEVER_S = 60.0
SAW_IT_RIGHT, SAW_NOTHING, SAW_THE_OTHER = 1.0, 2.0, 3.0

MISTAKES: dict[str, dict[str, Any]] = {
    "permit-not-wired": {"unwired": "permit sample"},
    "drive-not-wired": {"unwired": "drive waste"},
    "permit-never-lapses": {"holds": ("sample", NEVER_S)},
    "permit-lapses-late": {"holds": ("titrant", 1.6)},
    "plugs-swapped": {"swapped": ("overfill", "leak")},
    "loose-plug": {"loose": "overfill"},
    "motors-left-off": {"motors-on": "nothing"},
    "waste-reversed": {"reversed": "waste"},
    "sample-reversed": {"reversed": "sample"},
    "waste-reversed-not-looked-at": {"reversed": "waste", "looks": False},
    "sample-reversed-not-looked-at": {"reversed": "sample", "looks": False},
    "titrant-reversed-not-looked-at": {"reversed": "titrant", "looks": False},
    "waste-reversed-container-full": {"reversed": "waste", "looks": False, "container_ml": 2000.0},
    "water-not-salted": {"salinity": 0.3},
    "acid-too-early": {"acid_early": True},
    "sample-line-beside": {"beside": "sample"},
    "titrant-line-in-a-beaker": {"beside": "titrant"},
    "hose-drips": {"drips": True},
    "float-not-lifted": {"provoke overfill": "nothing"},
    "second-float-not-wired": {"second-up": "nothing"},
    "stop-not-pressed": {"stop-ready": "nothing"},
    "ground-loop-of-the-stirrer": {"ground_loop_mv": 25.0},
    "ground-loop-of-a-pump": {"pump_loop_mv": 12.0},
    "ground-loop-of-the-probes": {"probe_loop_mv": 18.0},
    "jug-not-tared": {"jug_g": 300.0},
    "acid-not-put-in": {"acid-in": "nothing"},
    "inlet-left-in-the-bucket": {"inlet-back": "nothing"},
}
"""What hands may do wrong on the first day, by name; what is swapped by a key is done instead of it."""


class FirstDay:
    """What hands do and see in the steps of a bring-up.

    Parameters
    ----------
    world, random
        Where they are, and how scales and watches scatter.
    mistakes
        What is wrong with their wiring and with what they hold; of `MISTAKES`.
    """

    def __init__(self, world: World, random: np.random.Generator, mistakes: Mapping[str, Any]) -> None:
        self._world, self._random, self._mistakes = world, random, mistakes
        self._since_s = 0.0  # when the meter was held, or the eye was put, where it is
        self._cup_ml = self._jug_g = 0.0
        self._acts: dict[str, Callable[[str, str], None]] = {
            "vessel-dry": self._dry_and_wired,
            "meter-at": self._look,
            "film": self._look,
            "watch": self._look,
            "open": lambda of, _: self._world.lifted.add(of),
            "close": lambda of, _: self._world.lifted.discard(of),
            "wiggle": self._wiggle,
            "motors-on": self._motors_on,
            "bottles-of-water": self._bottles_of_water,
            "hoses-on": self._hoses_on,
            "pour-cup": self._pour_cup,
            "papers-laid": self._look,
            "provoke": lambda of, _: self._world.lifted.add(of.replace("-", "_")),
            "put-back": self._put_back,
            "second-up": lambda _, __: self._second(up=True),
            "second-down": lambda _, __: self._second(up=False),
            "stop-ready": self._stop_the_next_run,
            "pour-to-float": self._pour_to_float,
            "unplug": lambda _, __: self._plug(out=True),
            "plug": lambda _, __: self._plug(out=False),
            "kill-ready": self._look,
            "acid-in": self._acid_in,
        }
        self._sights: dict[str, Callable[[str], float]] = {
            "meter": self._meter,
            "lapse": self._lapse_s,
            "way": self._way,
            "level": lambda _: self._level(),
            "titrant-tip": lambda _: self._tip(),
            "papers": lambda _: SAW_NOTHING if mistakes.get("drips") else SAW_IT_RIGHT,
            "second": lambda _: SAW_IT_RIGHT if world.second_float_up else SAW_NOTHING,
            "ran-on": lambda _: self._ran_on_s(),
            "residue": lambda _: self._residue_g(),
            "poured": lambda _: self._jug_g + float(mistakes.get("jug_g", 0.0)),
        }

    def do(self, key: str, text: str) -> bool:
        """Do what a key asks; return whether it is one of these."""
        what, _, of = key.partition(" ")
        act = self._acts.get(what)
        if act is not None:
            act(of, text)
        return act is not None

    def read(self, key: str) -> float | None:
        """Return what is seen or shown, or None where the key is not one of these."""
        what, _, of = key.partition(" ")
        see = self._sights.get(what)
        return None if see is None else see(of)

    # Without water --------------------------------------------------------------------

    def _dry_and_wired(self, of: str, text: str) -> None:
        """Wipe the vessel dry; motors off and hoses off, where that is how the first day begins."""
        del of
        self._wipe()
        if "jug" in text:
            return
        world, mistakes = self._world, self._mistakes
        world.motors_on, world.hoses_off = False, True
        if "reversed" in mistakes:
            world.reversed_pumps.add(str(mistakes["reversed"]))
        if "holds" in mistakes:
            pump, lapse_s = mistakes["holds"]
            world.pumps[pump].lapse_s = lapse_s
        if "swapped" in mistakes:
            one, other = mistakes["swapped"]
            world.plugs_swapped = {one: other, other: one}
        world.ground_loop_mv = float(mistakes.get("ground_loop_mv", 0.0))
        world.pump_loop_mv = float(mistakes.get("pump_loop_mv", 0.0))
        world.probe_loop_mv = float(mistakes.get("probe_loop_mv", 0.0))

    def _wipe(self) -> None:
        world = self._world
        world.vessel = (world.source or world.tank).water(DRY_G)
        world.intake, world.unmixed_acid, world.titrant_since_empty_ml = None, 0.0, 0.0

    def _look(self, of: str, text: str) -> None:
        del of, text
        self._since_s = self._world.at_s

    def _meter(self, of: str) -> float:
        part, _, pump = of.partition(" ")
        head = self._world.pumps[pump]
        if of == self._mistakes.get("unwired"):
            return SAW_NOTHING
        if part == "permit" and self._world.at_s <= head.permitted_until_s:
            return SAW_THE_OTHER
        rose_s = head.kicked_s if part == "permit" else head.driven_s
        return SAW_IT_RIGHT if rose_s > self._since_s else SAW_NOTHING

    def _lapse_s(self, pump: str) -> float:
        lapse_s = self._world.pumps[pump].lapse_s
        return min(NEVER_S, max(0.0, lapse_s + self._random.normal(0.0, FILM_SD_S)))

    def _wiggle(self, of: str, text: str) -> None:
        del text
        if of == self._mistakes.get("loose"):
            self._world.rattles_until_s[of] = self._world.at_s + WIGGLED_S

    def _motors_on(self, of: str, text: str) -> None:
        del of, text
        self._world.motors_on = True

    def _way(self, pump: str) -> float:
        if not self._mistakes.get("looks", True):
            return SAW_IT_RIGHT
        if not self._world.motors_on:
            return SAW_THE_OTHER
        return SAW_NOTHING if pump in self._world.reversed_pumps else SAW_IT_RIGHT

    # With water -----------------------------------------------------------------------

    def _bottles_of_water(self, of: str, text: str) -> None:
        del of, text
        world = self._world
        world.source = Tank(
            alkalinity_umol_kg=100.0,
            salinity=float(self._mistakes.get("salinity", 35.0)),
            temperature_c=24.0,
            consumption_dkh_per_day=0.0,
            dosed_dkh_per_day=0.0,
            mass_g=1e12,  # a bucket is not topped up with fresh water, as a tank is
            natural_share=0.0,
        )
        world.titrant_umol_ml = world.poured_umol_ml if self._mistakes.get("acid_early") else 0.0

    def _hoses_on(self, of: str, text: str) -> None:
        del of, text
        world = self._world
        world.hoses_off, world.motors_on = False, True
        world.waste_ml = float(self._mistakes.get("container_ml", 0.0))
        world.tubes_off = {str(self._mistakes["beside"])} if "beside" in self._mistakes else set()

    def _pour(self, ml: float) -> None:
        self._world.vessel.pour_in((self._world.source or self._world.tank).water(ml * SALTED_G_ML))

    def _pour_cup(self, of: str, text: str) -> None:
        del of
        found = re.search(r"(\d+(?:\.\d+)?) mL", text)
        if found is None:
            raise MisuseError(f"how much is it to be? {text!r}", where="hands", remedy="Say it in mL")
        self._pour(float(found[1]))
        self._cup_ml = self._world.volume_ml()

    def _level(self) -> float:
        world, poured_ml = self._world, self._cup_ml
        if not self._mistakes.get("looks", True) or world.volume_ml() < (1.0 - SEES_SHARE) * poured_ml:
            return SAW_IT_RIGHT
        rose = world.volume_ml() > (1.0 + SEES_SHARE) * poured_ml
        return SAW_THE_OTHER if rose or "waste" in world.reversed_pumps else SAW_NOTHING  # air bubbles up

    def _tip(self) -> float:
        world = self._world
        if "titrant" in world.reversed_pumps:
            return SAW_THE_OTHER
        return SAW_IT_RIGHT if world.titrant_since_empty_ml > 0.0 else SAW_NOTHING

    def _put_back(self, of: str, text: str) -> None:
        del text
        self._world.lifted.discard(of.replace("-", "_"))
        if of == "stop":
            self._world.stop_from_s, self._world.stops_next_run = float("inf"), False

    def _second(self, *, up: bool) -> None:
        self._world.second_float_up = up

    def _stop_the_next_run(self, of: str, text: str) -> None:
        del of, text
        self._world.stops_next_run = True

    def _plug(self, *, out: bool) -> None:
        self._world.conductivity_disconnected = out

    def _ran_on_s(self) -> float:
        ran_on_s = self._world.spilled.max_moving_s_after_death
        return max(0.0, ran_on_s + float(self._random.normal(0.0, WATCH_SD_S)))

    # With a scale ---------------------------------------------------------------------

    def _residue_g(self) -> float:
        shown_g = self._world.volume_ml() * SALTED_G_ML * BUOYED + float(self._random.normal(0.0, SCALE_SD_G))
        self._wipe()
        return max(0.0, shown_g)

    def _pour_to_float(self, of: str, text: str) -> None:
        del of, text
        ml = max(0.0, self._world.overfill_ml + OVER_ML - self._world.volume_ml())
        self._pour(ml)
        self._jug_g = ml * SALTED_G_ML * BUOYED + float(self._random.normal(0.0, SCALE_SD_G))

    def _acid_in(self, of: str, text: str) -> None:
        del of, text
        world = self._world
        world.titrant_umol_ml = world.poured_umol_ml
        world.bottle_ml = float(world.bench["titrant"]["bottle_ml"])
