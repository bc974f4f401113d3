"""What only a keeper can know of a bench: each question with how to find out, its bounds, and a usual answer."""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from saltern.errors import ConfigError

Answer = float | str
Answers = Mapping[str, Answer]


@dataclass(frozen=True)
class Question:
    """One thing that only the keeper can know.

    Parameters
    ----------
    key
        Its name, for ``--answer``.
    text
        What is asked.
    how
        How to find out.
    unit
        Of a number; empty for a word.
    low, high
        Bounds of a number.
    usual
        What to offer, from the answers so far.
    """

    key: str
    text: str
    how: str
    unit: str
    low: float
    high: float
    usual: Callable[[Answers], Answer]


def _word(key: str, text: str, how: str, usual: str) -> Question:
    return Question(key, text, how, "", 0.0, 0.0, lambda _: usual)


def _number(
    key: str, text: str, how: str, unit: str, low: float, high: float, usual: float | Callable[[Answers], float]
) -> Question:
    return Question(key, text, how, unit, low, high, usual if callable(usual) else lambda _: usual)


def area_cm2(answers: Answers) -> float:
    return 1000.0 / float(answers["height_of_100_ml_mm"])


def volume_at_ml(answers: Answers, height_mm: float) -> float:
    return area_cm2(answers) * height_mm / 10.0


def _sample_ml(answers: Answers) -> float:
    """Return a sample that covers the titrant tip, and leaves a fifth of itself and the cell's room below the float."""
    room_ml = 0.96 * volume_at_ml(answers, float(answers["overfill_switch_mm"]))
    room_ml -= volume_at_ml(answers, float(answers["conductivity_tip_mm"])) + 1.0
    most_ml = room_ml / (1.06 + _titrant_part(answers))
    least_ml = 1.02 * volume_at_ml(answers, float(answers["titrant_tip_mm"]))
    return float(round(max(least_ml, min(100.0, most_ml))))


TITRANT_MARGIN = 2.8
"""A run may take so much more titrant than the expected water needs: repeats, and water three times as rich."""

DAY_MARGIN = 3.0
"""A day may take so much more than the schedule asks for: confirmations, a standardisation, a bottle's priming."""

MMOL_L_PER_DKH = 1.0 / 2.804  # DIN 38409-7: 1 mmol/L of acid capacity is 2.804 degrees

EXCESS = 1.25
"""A titration goes on beyond the end point: part of the titrant that it took (1.24 with the default bench's plan)."""


def need_per_ml(answers: Answers) -> float:
    """Return titrant that a determination needs, mL for each mL of sample."""
    mol_per_l = float(answers["titrant_mol_per_l"])
    return EXCESS * float(answers["expected_dkh"]) * MMOL_L_PER_DKH / (1000.0 * mol_per_l)


def _titrant_part(answers: Answers) -> float:
    return TITRANT_MARGIN * need_per_ml(answers) * 1.06


QUESTIONS = (
    _word(
        "name", "What is the bench called?", "Small letters, digits and hyphens: it names files and topics.", "bench"
    ),
    _word("time_zone", "In which time zone is it?", "As in the time-zone database: Europe/Lisbon.", "UTC"),
    _number(
        "height_of_100_ml_mm",
        "How high do 100 mL of water fill the vessel?",
        "Put in stirrer bar and probes, wet and tip out the vessel, weigh in 100 g of water; from the inner floor.",
        "mm",
        5.0,
        500.0,
        50.0,
    ),
    _number(
        "spout_mm",
        "How high above the inner floor is the spout's lower edge?",
        "What rises above it runs into the tray.",
        "mm",
        20.0,
        1000.0,
        75.0,
    ),
    _number(
        "overfill_switch_mm",
        "At which height does the overfill float act?",
        "Fill slowly by hand until its circuit opens, and measure from the inner floor.",
        "mm",
        15.0,
        1000.0,
        lambda a: float(a["spout_mm"]) - 7.0,
    ),
    _number(
        "conductivity_tip_mm",
        "At which height is the conductivity cell just covered?",
        "Fill by hand until its reading jumps, and measure from the inner floor.",
        "mm",
        1.0,
        500.0,
        6.0,
    ),
    _number("ph_tip_mm", "How high is the pH probe's tip?", "From the inner floor.", "mm", 6.0, 500.0, 8.0),
    _number(
        "titrant_tip_mm",
        "How high is the end of the titrant line?",
        "From the inner floor; the sample must cover it.",
        "mm",
        25.0,
        500.0,
        27.0,
    ),
    _number(
        "residue_ml",
        "How much does a drain leave in the vessel?",
        "Drain with the waste line, then soak up what is left with a tissue and weigh it: 1 g is 1 mL.",
        "mL",
        0.0,
        50.0,
        1.5,
    ),
    _number(
        "tank_surface_mm",
        "How high is the tank's surface above the vessel's inner floor?",
        "Negative if the tank is lower. That is the safe way: sea water cannot run in by itself.",
        "mm",
        -3000.0,
        3000.0,
        -200.0,
    ),
    _number(
        "sample_ml_per_min",
        "How much does the sample pump give?",
        "From its data sheet, or a minute into a cylinder. Calibration finds the exact value.",
        "mL/min",
        5.0,
        1000.0,
        100.0,
    ),
    _number(
        "titrant_ml_per_min",
        "How much does the titrant pump give?",
        "From its data sheet, with this tube; with water.",
        "mL/min",
        0.2,
        100.0,
        10.0,
    ),
    _number(
        "titrant_mol_per_l",
        "How strong is the titrant?",
        "From its label; 0.05 suits most tanks. Standardisation finds the exact value.",
        "mol/L",
        0.006,
        0.5,
        0.05,
    ),
    _number(
        "titrant_bottle_ml", "How much titrant is in a full bottle?", "From its label.", "mL", 50.0, 20_000.0, 1000.0
    ),
    _number(
        "waste_container_l",
        "How much does the waste container hold?",
        "To its brim; it must be vented.",
        "L",
        0.5,
        200.0,
        10.0,
    ),
    _number(
        "expected_dkh",
        "What alkalinity do you expect?",
        "From your last test kit; it guides the first determination alone.",
        "dKH",
        2.0,
        20.0,
        7.5,
    ),
    _number("every_h", "How often is it measured?", "Hours from one start to the next.", "h", 0.5, 168.0, 4.0),
    _number(
        "sample_ml",
        "How much sample is drawn?",
        "What fits between titrant tip and float.",
        "mL",
        21.0,
        500.0,
        _sample_ml,
    ),
)


def read(question: Question, text: str) -> Answer:
    """Return the answer that a text is.

    Raises
    ------
    ConfigError
        It is not one.
    """
    text = text.strip()
    if question.unit:
        try:
            value = float(text.replace(",", "."))
        except ValueError:
            value = float("nan")
        if not question.low <= value <= question.high:
            raise ConfigError(
                f"{text!r} is not a number of {question.unit} from {question.low:g} to {question.high:g}",
                where=question.key,
                remedy=question.how,
            )
        return value
    if question.key == "name" and not re.fullmatch(r"[a-z0-9][a-z0-9-]{0,31}", text):
        raise ConfigError(f"{text!r} cannot be a bench's name", where="name", remedy=question.how)
    if question.key == "time_zone":
        try:
            ZoneInfo(text)
        except (ZoneInfoNotFoundError, ValueError, OSError) as error:
            raise ConfigError(
                f"this computer knows no time zone {text!r}", where="time_zone", remedy=question.how
            ) from error
    return text
