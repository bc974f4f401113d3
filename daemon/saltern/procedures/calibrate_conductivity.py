"""Calibrating the conductivity cell in one or two standards, at the liquid's own temperature."""

from dataclasses import dataclass
from math import hypot
from typing import Annotated

from pydantic import AfterValidator, Field
from pydantic.dataclasses import dataclass as validated

from saltern.bench.bench import Bench
from saltern.chemistry.conductivity import undo_compensation
from saltern.chemistry.standards import KCL_MS_CM, standard_ms_cm
from saltern.model.calibration import Calibration, Cause, Kind, RefusedError, Value
from saltern.procedures.notebook import Notebook
from saltern.procedures.options import CHECKED
from saltern.procedures.prompts import Prompts
from saltern.procedures.steady import Steady, until_steady

TOGETHER_S, LONGER_S = 600.0, 1200.0
"""Standard and probe stand together for at least ten minutes (common practice), and at most so much longer."""

STEADY_K_PER_MIN, STEADY_PER_MIN = 0.05, 0.003
BUBBLE_READS_LOW = 0.10
BUBBLE_NOISE = 0.005
AGREE = 0.02
STANDARD_U_PERCENT = 0.2
"""Of a standard as bought (common practice; its certificate says)."""

FURTHEST = 0.15
SAME_K = 0.15  # 0.3 % of conductivity


STANDARD_MS_CM = (0.1, 150.0)
"""From a hundredth-molal potassium chloride down a decade, to twice the conductivity of seawater."""


def _is_standard(text: str) -> str:
    low, high = STANDARD_MS_CM
    try:
        known = text.isascii() and low <= standard_ms_cm(text, 25.0) <= high
    except ValueError:
        known = False
    if not known:
        msg = (
            f"it is neither a practical salinity from 2 to 42, nor one of {', '.join(KCL_MS_CM)}, nor a label such as "
            f"'53.0 mS/cm' from {low:g} to {high:g}"
        )
        raise ValueError(msg)
    return text


def _differ(standards: tuple[str, ...]) -> tuple[str, ...]:
    values = [standard_ms_cm(name, 25.0) for name in standards]
    if len(values) == 2 and abs(values[0] - values[1]) < 0.02 * max(values):
        msg = "the two standards have the same conductivity within 2 %"
        raise ValueError(msg)
    return standards


Standard = Annotated[str, Field(min_length=1, max_length=40), AfterValidator(_is_standard)]


@validated(frozen=True, config=CHECKED)
class ConductivityOptions:
    """Which standards, by practical salinity ("35", "28"), a KCl solution ("kcl-0.1"), or the label's ("53.0 mS/cm").

    `together_s` shortens the wait where standard and probe were together before; the signal still decides.
    """

    standards: Annotated[tuple[Standard, ...], Field(min_length=1, max_length=2), AfterValidator(_differ)] = ("35",)
    together_s: Annotated[float, Field(ge=0, le=7200)] = TOGETHER_S


@dataclass(frozen=True)
class _Seen:
    name: str
    raw_ms_cm: float
    expected_ms_cm: float
    noise: float  # relative
    temperature_c: float

    @property
    def ratio(self) -> float:
        return self.expected_ms_cm / self.raw_ms_cm


def calibrate_conductivity(bench: Bench, prompts: Prompts, options: ConductivityOptions) -> Calibration:
    """Calibrate the cell: one standard gives its factor, two a factor and an offset.

    Raises
    ------
    RefusedError
        A bubble, a wrong or swapped standard, or a temperature that still changes.
    """
    notebook, seen = Notebook(bench), []
    readings: list[dict[str, Value]] = []
    for name in options.standards:
        prompts.confirm(
            f"cell-in {name}",
            f"Rinse cell and temperature probe with a little of the standard {name}, put both into it, and tap bubbles "
            "off the cell",
        )
        one = _read_standard(bench, prompts, notebook, name, options.together_s)
        seen.append(one)
        readings.append(
            {
                "standard": name,
                "raw_ms_cm": one.raw_ms_cm,
                "expected_ms_cm": one.expected_ms_cm,
                "temperature_c": one.temperature_c,
                "noise_percent": 100.0 * one.noise,
            }
        )
        if one.noise > BUBBLE_NOISE:
            raise RefusedError(
                Cause.BUBBLE,
                f"in {name} the reading scatters by {100.0 * one.noise:.1f} %: something moves at the cell",
                kind=Kind.CONDUCTIVITY,
                remedy="Tap the cell until no bubble clings to it, and begin again",
                readings=tuple(readings),
            )
    prompts.confirm("cell-back", "Rinse the probes and put them back into the vessel")
    _demand_agreement(seen, tuple(readings))
    _demand_nearness(bench, seen, tuple(readings))
    return _fitted(bench, prompts, seen, tuple(readings))


def _read_standard(bench: Bench, prompts: Prompts, notebook: Notebook, name: str, together_s: float) -> _Seen:
    temperature = until_steady(
        bench,
        notebook.temperature_c,
        lambda c: prompts.see("temperature", c, "degC"),
        slope_per_min=STEADY_K_PER_MIN,
        least_s=together_s,
        most_s=together_s + LONGER_S,
    )
    if not temperature.steady:
        raise _not_at_temperature(
            f"{name} still changes by {temperature.slope_per_min:+.2f} K a minute after "
            f"{temperature.took_s / 60.0:.0f} minutes"
        )
    table = bench.config.probes.conductivity.compensation

    def raw_ms_cm() -> float:
        return undo_compensation(
            notebook.conductivity_ms_cm(),
            temperature.value,
            kind=table.kind,
            alpha_percent_per_k=table.alpha_percent_per_k,
            reference_c=table.reference_c,
        )

    expected = standard_ms_cm(name, temperature.value)
    found: Steady = until_steady(
        bench,
        raw_ms_cm,
        lambda ms: prompts.see("conductivity", ms, "mS/cm"),
        slope_per_min=STEADY_PER_MIN * expected,
        least_s=60.0,
        most_s=600.0,
    )
    afterwards_k = notebook.temperature_c() - temperature.value
    if abs(afterwards_k) > SAME_K:
        raise _not_at_temperature(f"{name} changed by {afterwards_k:+.2f} K while its conductivity was read")
    if found.value <= 0.01 * expected:
        raise RefusedError(
            Cause.BUBBLE,
            f"in {name} the cell reads {found.value:.2f} mS/cm: it stands in air, or is unplugged",
            kind=Kind.CONDUCTIVITY,
            remedy="Cover the cell, tap bubbles off it, check its plug",
        )
    return _Seen(name, found.value, expected, found.noise / found.value, temperature.value)


def _not_at_temperature(what: str) -> RefusedError:
    return RefusedError(
        Cause.NOT_AT_TEMPERATURE,
        what,
        kind=Kind.CONDUCTIVITY,
        remedy="Let standard and probe come to the room's temperature together, and begin again",
    )


def _demand_agreement(seen: list[_Seen], readings: tuple[dict[str, Value], ...]) -> None:
    """Refuse two standards that do not say the same of the cell, by the name of what that looks like."""
    if len(seen) < 2 or abs(seen[0].ratio / seen[1].ratio - 1.0) <= AGREE:
        return
    crossed = [seen[1].expected_ms_cm / seen[0].raw_ms_cm, seen[0].expected_ms_cm / seen[1].raw_ms_cm]
    if abs(crossed[0] / crossed[1] - 1.0) <= AGREE:
        raise RefusedError(
            Cause.STANDARDS_SWAPPED,
            f"{seen[0].name} and {seen[1].name} fit each other's readings",
            kind=Kind.CONDUCTIVITY,
            remedy="Put the cell into the standards in the order asked for",
            readings=readings,
        )
    low = max(seen, key=lambda one: one.ratio)
    raise RefusedError(
        Cause.BUBBLE,
        f"in {low.name} the cell reads {100.0 * (1.0 - min(s.ratio for s in seen) / low.ratio):.1f} % lower than in "
        "the other",
        kind=Kind.CONDUCTIVITY,
        remedy="Tap bubbles off the cell; if it stays so, one of the standards is not what its label says",
        readings=readings,
    )


def _demand_nearness(bench: Bench, seen: list[_Seen], readings: tuple[dict[str, Value], ...]) -> None:
    """Refuse a cell that is far from what it was: standards and cells do not change by a tenth."""
    before = bench.config.probes.conductivity.cell_factor
    for one in seen:
        now = one.ratio / before - 1.0
        if now > BUBBLE_READS_LOW:
            raise RefusedError(
                Cause.BUBBLE,
                f"in {one.name} the cell reads {100.0 * now / (1.0 + now):.0f} % too low against its last calibration",
                kind=Kind.CONDUCTIVITY,
                remedy="Tap bubbles off the cell, clean it, and begin again",
                readings=readings,
            )
        if abs(now) > FURTHEST:
            raise RefusedError(
                Cause.WRONG_STANDARD,
                f"in {one.name} the cell reads {100.0 * -now:.0f} % too high against its last calibration",
                kind=Kind.CONDUCTIVITY,
                remedy="Check the bottle: it is not this standard, or water has left it",
                readings=readings,
            )


def _fitted(bench: Bench, prompts: Prompts, seen: list[_Seen], readings: tuple[dict[str, Value], ...]) -> Calibration:
    if len(seen) == 1:
        factor, offset = seen[0].ratio, 0.0
    else:
        first, second = seen[0], seen[-1]
        factor = (first.expected_ms_cm - second.expected_ms_cm) / (first.raw_ms_cm - second.raw_ms_cm)
        offset = first.expected_ms_cm - factor * first.raw_ms_cm
    noise = max(one.noise for one in seen)
    u_percent = hypot(STANDARD_U_PERCENT, 100.0 * noise / 5.0)
    words = f"factor {factor:.4f}, offset {offset:+.2f} mS/cm, u {u_percent:.2f} %"
    prompts.say(words)
    values: dict[str, Value] = {
        "probes.conductivity.cell_factor": factor,
        "probes.conductivity.cell_offset_ms_cm": offset,
        "probes.conductivity.u_percent": u_percent,
        "probes.conductivity.calibrated_on": bench.clock.now().date().isoformat(),
    }
    statistics = {"cell_factor": factor, "offset_ms_cm": offset, "noise_percent": 100.0 * noise}
    return Calibration(Kind.CONDUCTIVITY, values, words, statistics, readings)
