"""The kinds of numbers that chemistry works on, and the media it knows."""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
Number = float | FloatArray


class Medium(StrEnum):
    SEAWATER = "seawater"
    NACL = "nacl"  # a carbonate standard in about 0.7 mol/kg NaCl: no sulfate, fluoride or borate


@dataclass(frozen=True)
class Estimate:
    """A value with its standard uncertainty, in the unit that the name it is bound to states."""

    value: float
    u: float
