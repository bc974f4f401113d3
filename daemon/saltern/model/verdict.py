"""What is said of a value: a verdict, with reasons from a closed list."""

from dataclasses import dataclass
from enum import StrEnum

from saltern.model.parts import Parts, unknown


class Verdict(StrEnum):
    ACCEPTED = "accepted"
    PROVISIONAL = "provisional"  # reported, with something open that its reason names
    SUSPECT = "suspect"  # measured, not accepted
    VOID = "void"  # not measured to the end
    SUPERSEDED = "superseded"  # evaluated again


REPORTABLE = (Verdict.ACCEPTED, Verdict.PROVISIONAL)
"""Those of a value that is reported: shown as the newest, followed, compared with."""


class Reason(StrEnum):
    """Why a value is not simply accepted."""

    # the run did not come to its end
    INTERLOCK = "interlock"
    STOPPED = "stopped-by-operator"
    INTERRUPTED = "interrupted"
    NOT_EMPTY = "vessel-not-proved-empty"
    SAMPLE_NOT_DRAWN = "sample-not-drawn"
    PROBE_FAULT = "probe-fault"
    MOTION_FAULT = "motion-fault"
    TITRANT_CEILING = "titrant-ceiling"
    NO_RESPONSE = "no-response-to-titrant"
    NO_END_POINT = "no-end-point"
    STORAGE = "storage"
    # the number is not good enough
    UNCERTAIN = "uncertainty-above-limit"
    POOR_FIT = "poor-fit"
    VOLUME_STEP = "volume-step"
    OUTLIER = "outlying-reading"
    WINDOWS_DIFFER = "windows-differ"
    UNSETTLED = "electrode-not-settled"
    ELECTRODE_CHANGED = "electrode-changed"
    UNEXPECTED = "differs-from-expectation"
    FIRST = "first-result"  # nothing speaks for it yet
    UNUSUAL = "unusual"  # a little unexpected: only another determination shows whether it is anything
    OUT_OF_RANGE = "out-of-range"
    NOT_STANDARDISED = "not-standardised"
    SETTLING = "part-settling"
    STEP_UNEXPLAINED = "step-unexplained"
    CALIBRATION_DAMAGED = "calibration-damaged"
    TITRANT_WEIGHED = "titrant-weighed-differs"
    DRAINED_VOLUME = "drained-volume-differs"
    STEPS_DOUBTED = "steps-in-doubt"


ASKED_AGAIN = frozenset(
    {
        Reason.POOR_FIT,
        Reason.VOLUME_STEP,
        Reason.OUTLIER,
        Reason.WINDOWS_DIFFER,
        Reason.UNSETTLED,
        Reason.ELECTRODE_CHANGED,
        Reason.UNEXPECTED,
        Reason.FIRST,
        Reason.UNUSUAL,
        Reason.STEPS_DOUBTED,
    }
)
"""What may have been chance or a passing fault, or a true change: another determination shows which."""


@dataclass(frozen=True)
class Quantity:
    """A value with its standard uncertainty (k = 1), verdict and reasons; a value not measured is None, never zero.

    `parts` are the two parts of `u`: whatever compares results wants them. None: a record from before they were kept.
    """

    value: float | None
    u: float | None
    verdict: Verdict
    reasons: tuple[Reason, ...] = ()
    parts: Parts | None = None

    def in_parts(self) -> Parts:
        """Return the two parts of the uncertainty; of an older record, all of it may be its own."""
        return self.parts if self.parts is not None else unknown(self.u or 0.0)
