"""What a conductivity board did to its value before sending it, undone.

Salinity is defined by the conductivity *at* its temperature; a board that reports a value "at 25 degC" must be
asked what it divided by.
"""

from typing import Literal

from saltern.chemistry.seawater import conductivity_ms_cm

CompensationKind = Literal["raw", "linear", "nonlinear"]


def undo_compensation(
    board_ms_cm: float,
    temperature_c: float,
    *,
    kind: CompensationKind,
    alpha_percent_per_k: float,
    reference_c: float,
) -> float:
    """Return the conductivity at the liquid's own temperature, mS/cm.

    Parameters
    ----------
    board_ms_cm
        What the board sent, mS/cm.
    temperature_c
        Temperature of the liquid, degC.
    kind
        ``raw``: not compensated. ``linear``: divided by 1 + alpha (t - reference) (IEC 60746-3, common practice;
        2 %/K is right for seawater within some percent only). ``nonlinear``: referred to 25 degC by
        seawater's own temperature function, here PSS-78 at S 35.
    alpha_percent_per_k, reference_c
        Of the linear compensation.
    """
    if kind == "raw":
        return board_ms_cm
    if kind == "linear":
        return board_ms_cm * (1.0 + alpha_percent_per_k / 100.0 * (temperature_c - reference_c))
    return board_ms_cm * conductivity_ms_cm(35.0, temperature_c) / conductivity_ms_cm(35.0, 25.0)
