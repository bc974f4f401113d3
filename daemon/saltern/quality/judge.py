"""From a value and what was seen while it was made to a verdict."""

from saltern.chemistry.endpoint.curve import EndPoint, Estimate
from saltern.config import BenchConfig
from saltern.quality.verdict import Quantity, Reason, Verdict

ALKALINITY_UMOL_KG = (200.0, 9000.0)
PH_TOTAL = (6.0, 11.0)
SALINITY = (2.0, 45.0)
ACCEPT_PH_U = 0.1
ACCEPT_SALINITY_U = 2.0


def judge_alkalinity(config: BenchConfig, alkalinity: Estimate, end_point: EndPoint, settled: bool) -> Quantity:
    """Return the alkalinity with its verdict.

    Anything wrong with curve or value makes it suspect; a bench never standardised makes it provisional.
    """
    reasons = [reason for reason in Reason if reason.value in end_point.flags]
    if not ALKALINITY_UMOL_KG[0] <= alkalinity.value <= ALKALINITY_UMOL_KG[1]:
        reasons.append(Reason.OUT_OF_RANGE)
    if not alkalinity.u <= config.limits.accept_u_umol_kg:
        reasons.append(Reason.UNCERTAIN)
    if not settled:
        reasons.append(Reason.UNSETTLED)
    if reasons:
        return Quantity(alkalinity.value, alkalinity.u, Verdict.SUSPECT, tuple(reasons))
    if config.titre.u_percent is None:
        return Quantity(alkalinity.value, alkalinity.u, Verdict.PROVISIONAL, (Reason.NOT_STANDARDISED,))
    return Quantity(alkalinity.value, alkalinity.u, Verdict.ACCEPTED)


def judge_ph(ph_total: Estimate, electrode: EndPoint) -> Quantity:
    """Return the sample's pH, total scale, with its verdict; an electrode whose fit is flagged gives a suspect pH."""
    judged = _judge(ph_total, PH_TOTAL, ACCEPT_PH_U)
    flagged = tuple(reason for reason in Reason if reason.value in electrode.flags)
    if not flagged:
        return judged
    return Quantity(judged.value, judged.u, Verdict.SUSPECT, judged.reasons + flagged)


def judge_salinity(salinity: Estimate) -> Quantity:
    """Return the sample's practical salinity with its verdict."""
    return _judge(salinity, SALINITY, ACCEPT_SALINITY_U)


def _judge(value: Estimate, believable: tuple[float, float], accept_u: float) -> Quantity:
    reasons = []
    if not believable[0] <= value.value <= believable[1]:
        reasons.append(Reason.OUT_OF_RANGE)
    if not value.u <= accept_u:
        reasons.append(Reason.UNCERTAIN)
    return Quantity(value.value, value.u, Verdict.SUSPECT if reasons else Verdict.ACCEPTED, tuple(reasons))
