"""What the default method makes of organic bases, which no model of seawater contains.

An organic base of total X and constant K holds X K / (K + H) protons less than its acid. The proton balance does not
know it, so each reading's estimate of the alkalinity falls short by what the base still holds back at that pH. The
method reports the part of X that its own weights leave: a linear answer, exact for small X.
"""

import numpy as np

from saltern.chemistry.endpoint.gauss_newton import Solution
from saltern.chemistry.endpoint.reading_model import PIVOT_H
from saltern.chemistry.quantities import FloatArray


def share_reported(solution: Solution, pk: FloatArray) -> FloatArray:
    """Return the part of an organic base that is reported as alkalinity, by its pK (free scale).

    One is all of it, as the definition of alkalinity counts bases of pK 4.5 and above (Dickson 1981); zero is none.

    Parameters
    ----------
    solution
        The fit of a curve without organics.
    pk
        (m,) constants of the bases.

    Returns
    -------
    FloatArray
        (m,) parts.
    """
    p, theta = solution.readings, solution.theta
    h = PIVOT_H * np.exp((p.emf_mv - theta[1]) / (theta[2] * p.nernst_mv))
    taken_up = h[:, None] / (10.0 ** -np.asarray(pk) + h[:, None])  # (n, m)
    gain = solution.parameter_covariance[0] @ solution.white_jacobian.T @ solution.whitening
    return np.asarray(-gain @ taken_up)
