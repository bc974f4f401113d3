"""From a value and what was seen while it was made to a verdict."""

from collections.abc import Sequence
from dataclasses import replace

from saltern.chemistry.endpoint.curve import EndPoint, Estimate, Finding
from saltern.config.tables import BenchConfig
from saltern.model.parts import u_of_change
from saltern.model.verdict import ASKED_AGAIN, Quantity, Reason, Verdict

ALKALINITY_UMOL_KG = (200.0, 9000.0)
PH_TOTAL = (6.0, 11.0)
SALINITY = (2.0, 45.0)
ACCEPT_PH_U = 0.1
ACCEPT_SALINITY_U = 2.0
SURPRISES = frozenset({Reason.UNEXPECTED, Reason.FIRST, Reason.UNUSUAL, Reason.ELECTRODE_CHANGED})
AGREE = 3.0
"""Two determinations agree within so many standard uncertainties of their difference."""


def judge_alkalinity(
    config: BenchConfig,
    alkalinity: Estimate,
    ph_total: Estimate,
    end_point: EndPoint,
    settled: bool,
    against: Sequence[Finding] = (),
    sample_in_doubt: bool = False,
    u_of_age_umol_kg: float = 0.0,
    u_of_doubt_umol_kg: float = 0.0,
) -> Quantity:
    """Return the alkalinity with its verdict.

    Anything wrong with curve or value makes it suspect; a bench never standardised, or too long ago, makes it
    provisional. Where steps in doubt alone make it too uncertain, it says so.

    Parameters
    ----------
    config
        The bench.
    alkalinity
        umol/kg, with the combined standard uncertainty.
    ph_total
        Of the sample as drawn. One that no water has comes of an electrode that is far off, whose curve can look sound.
    end_point
        The evaluation, with the flags of its curve.
    settled
        Whether every reading had settled.
    against
        How it compares with the bench's past.
    sample_in_doubt
        Whether the sample pump could not be proved afterwards.
    u_of_age_umol_kg
        What the age of the titre factor contributes to the uncertainty.
    u_of_doubt_umol_kg
        What steps that a motor may have lost contribute to it.
    """
    flags = {*end_point.flags, *(finding.code for finding in against if finding.flagged)}
    reasons = [reason for reason in Reason if reason.value in flags]
    likely = PH_TOTAL[0] <= ph_total.value <= PH_TOTAL[1]
    if not likely or not ALKALINITY_UMOL_KG[0] <= alkalinity.value <= ALKALINITY_UMOL_KG[1]:
        reasons.append(Reason.OUT_OF_RANGE)
    if not alkalinity.u <= config.limits.accept_u_umol_kg:
        reasons.append(Reason.UNCERTAIN)
    if sample_in_doubt:
        reasons.append(Reason.SAMPLE_NOT_DRAWN)
    if not settled:
        reasons.append(Reason.UNSETTLED)
    too_old, too_doubtful = (
        Reason.UNCERTAIN in reasons and without**0.5 <= config.limits.accept_u_umol_kg
        for without in (max(0.0, alkalinity.u**2 - u**2) for u in (u_of_age_umol_kg, u_of_doubt_umol_kg))
    )
    for_want_of_a_factor = (config.titre.u_percent is None or too_old) and set(reasons) <= {Reason.UNCERTAIN}
    if for_want_of_a_factor:
        return Quantity(alkalinity.value, alkalinity.u, Verdict.PROVISIONAL, (*reasons, Reason.NOT_STANDARDISED))
    if too_doubtful:
        reasons.append(Reason.STEPS_DOUBTED)
    if reasons:
        return Quantity(alkalinity.value, alkalinity.u, Verdict.SUSPECT, tuple(reasons))
    return Quantity(alkalinity.value, alkalinity.u, Verdict.ACCEPTED)


def judge_ph(ph_total: Estimate, electrode: EndPoint, against: Sequence[Finding] = ()) -> Quantity:
    """Return the sample's pH, total scale, with its verdict; an electrode whose fit is flagged gives a suspect pH."""
    judged = _judge(ph_total, PH_TOTAL, ACCEPT_PH_U)
    flags = {*electrode.flags, *(finding.code for finding in against if finding.flagged)}
    flagged = tuple(reason for reason in Reason if reason.value in flags)
    if not flagged:
        return judged
    return replace(judged, verdict=Verdict.SUSPECT, reasons=judged.reasons + flagged)


def asked_again(quantity: Quantity) -> bool:
    """Return whether another determination should decide whether this one counts.

    What is too uncertain stays so, except for steps in doubt: the next determination has its own.
    """
    excused = {Reason.UNCERTAIN} if Reason.STEPS_DOUBTED in quantity.reasons else set()
    return quantity.verdict is Verdict.SUSPECT and set(quantity.reasons) <= ASKED_AGAIN | excused


def confirmed(first: Quantity, second: Quantity) -> Quantity:
    """Return the second value's verdict, knowing the first: what two determinations agree on is not unexpected."""
    surprising = second.verdict is Verdict.SUSPECT and set(second.reasons) <= SURPRISES
    if not surprising or not agree(first, second):
        return second
    return replace(second, verdict=Verdict.ACCEPTED, reasons=())


def agree(first: Quantity, second: Quantity, may_change_by: float = 0.0) -> bool:
    """Return whether two determinations found the same, but for what may have changed between them."""
    if first.value is None or second.value is None:
        return False
    room = AGREE * u_of_change(first.in_parts(), second.in_parts()) + may_change_by
    return abs(second.value - first.value) <= room


def judge_salinity(salinity: Estimate, against: Sequence[Finding] = ()) -> Quantity:
    """Return the sample's practical salinity with its verdict; one that differs from the past is suspect."""
    judged = _judge(salinity, SALINITY, ACCEPT_SALINITY_U)
    if not any(finding.flagged for finding in against):
        return judged
    return Quantity(judged.value, judged.u, Verdict.SUSPECT, (*judged.reasons, Reason.UNEXPECTED))


def _judge(value: Estimate, believable: tuple[float, float], accept_u: float) -> Quantity:
    reasons = []
    if not believable[0] <= value.value <= believable[1]:
        reasons.append(Reason.OUT_OF_RANGE)
    if not value.u <= accept_u:
        reasons.append(Reason.UNCERTAIN)
    return Quantity(value.value, value.u, Verdict.SUSPECT if reasons else Verdict.ACCEPTED, tuple(reasons))
