"""One table of codes: what each alert, reason and refusal is, and what its reader does about it.

Interlocks have a table of their own, `saltern.bench.interlocks`: an alert of theirs is `interlock-` and the row's name.
"""

from collections.abc import Iterator
from typing import NamedTuple

from saltern.model.alert import Severity
from saltern.model.calibration import Cause
from saltern.model.verdict import Reason


class Code(NamedTuple):
    """One code: how severe it is (alerts alone), what it is, what to do."""

    severity: Severity | None
    means: str
    do: str


UNKNOWN = Code(Severity.ERROR, "The program raised a code that is not in its table", "Report it with the service's log")
"""An alert must reach its keeper even so; a test keeps it from happening."""

_CRITICAL, _ERROR = Severity.CRITICAL, Severity.ERROR
_WARNING, _NOTICE, _INFO = Severity.WARNING, Severity.NOTICE, Severity.INFORMATIONAL

ALERTS: dict[str, Code] = {
    # the bench
    "input-unreadable": Code(_CRITICAL, "An input cannot be read, and acts as if open", "Check its wire and its pin"),
    "cell-dry": Code(_ERROR, "The conductivity cell fell dry with all pumps at rest", "Check the level in the vessel"),
    "probes-dry": Code(_CRITICAL, "The probes have been dry for too long", "Put them into storage solution or sample"),
    "not-left-clean": Code(
        _ERROR, "A run could not empty the vessel and leave the probes in fresh sample", "Run `saltern rinse`"
    ),
    "unclean-stop": Code(
        _WARNING,
        "The last process ended in the middle of a run, and the vessel may hold liquid",
        "Wait: the service empties the vessel",
    ),
    "not-recovered": Code(
        _ERROR, "The vessel could not be emptied after an unclean stop", "Check the vessel; run `saltern empty`"
    ),
    "drained-at-rest": Code(
        Severity.ALERT,
        "Liquid ran in with all pumps at rest; the vessel was drained",
        "Find the source, then run `saltern reset`",
    ),
    "not-drained-any-more": Code(
        Severity.ALERT,
        "Liquid runs in with all pumps at rest, and is no longer drained",
        "Check the bench now: the vessel may overflow",
    ),
    "hands-at-the-bench": Code(
        _WARNING, "A guided procedure was not finished", "Put lines and probes back, then run `saltern hold 0`"
    ),
    # results
    "determination-void": Code(_ERROR, "A determination gave no result", "Check its reason"),
    "determination-suspect": Code(_WARNING, "A result is suspect", "Check its reason; it is measured again once"),
    "interrupted": Code(
        _NOTICE,
        "The service ended during a determination",
        "No action is needed: the determination is kept and marked void",
    ),
    "no-result": Code(
        _ERROR, "The last accepted result is too old, or there is none yet", "Check `saltern status` and the log"
    ),
    "alkalinity-low": Code(_WARNING, "The tank's alkalinity is below the keeper's band", "Check the dosing"),
    "alkalinity-high": Code(_WARNING, "The tank's alkalinity is above the keeper's band", "Check the dosing"),
    "alkalinity-far-low": Code(
        _CRITICAL,
        "The tank's alkalinity is far below the keeper's band",
        "Test by other means now; then raise it slowly, by no more than 1 dKH a day",
    ),
    "alkalinity-far-high": Code(
        _CRITICAL, "The tank's alkalinity is far above the keeper's band", "Stop the doser; test by other means now"
    ),
    "alkalinity-rose": Code(
        _CRITICAL,
        "The tank's alkalinity jumped up. It was measured twice, and no log entry explains it",
        "Check the doser now, and stop it if it is stuck. Log the cause: a dose, a water change",
    ),
    "alkalinity-fell": Code(
        _CRITICAL,
        "The tank's alkalinity jumped down. It was measured twice, and no log entry explains it",
        "Check the top-up and the water now, and test by other means. Log the cause",
    ),
    "alkalinity-leaving": Code(
        _WARNING,
        "The tank is forecast to leave the keeper's band",
        "Run `saltern tank`: it shows when, and how to change the dose",
    ),
    "tank-finding": Code(
        _WARNING,
        "The tank or the instrument has changed; it may not be known yet which of them",
        "Run `saltern diagnose`, and take the measurement that it asks for",
    ),
    "salinity-low": Code(_WARNING, "The tank's salinity is below the keeper's band", "Check top-up and skimmer"),
    "salinity-high": Code(_WARNING, "The tank's salinity is above the keeper's band", "Check the top-up"),
    "ph-low": Code(_WARNING, "The tank's pH is below the keeper's band", "Let fresh air in, and check the dosing"),
    "ph-high": Code(
        _WARNING, "The tank's pH is above the keeper's band", "Stop anything that raises pH, and check the doser"
    ),
    "alkalinity-changing": Code(
        _WARNING, "The tank's alkalinity changes faster than the keeper wants", "Check the dosing and the salinity"
    ),
    "step-unexplained": Code(
        _WARNING,
        "The tank's alkalinity changed by more than the tank, the doses and the time explain, and the change repeats",
        "Measure a reference, or log the cause: a dose, a water change, your own test",
    ),
    "electrode-slow": Code(
        _NOTICE,
        "The electrode follows more slowly than configured",
        "Clean it; check whether the stirrer turns. Then run `saltern calibrate ph`: it measures the electrode's lag",
    ),
    # stores, parts, calibrations
    "titrant-low": Code(_WARNING, "Titrant is running out", "Have a bottle ready"),
    "waste-nearly-full": Code(
        _WARNING, "The waste container is nearly full", "Empty it, then run `saltern part emptied waste`"
    ),
    "sample-pump-worn": Code(
        _NOTICE, "By weight the sample pump differs from its calibration", "Check its tube; calibrate it"
    ),
    "reference-unusable": Code(
        _WARNING, "A reference is due, but its bottle has expired or is empty", "Put in a fresh bottle"
    ),
    "reference-refused": Code(_ERROR, "The reference could not be measured", "Check its inlet and the reason"),
    "calibration-set-aside": Code(
        _ERROR,
        "The bench cannot run with the calibration that is in force",
        "Calibrate again, or put an earlier one in force",
    ),
    "calibration-damaged": Code(
        _ERROR, "A calibration record is damaged", "Calibrate again, or put one in force by its number"
    ),
    "not-commissioned": Code(
        _WARNING,
        "This bench is not commissioned",
        "Run `saltern bring-up`. If all was tried before, run `saltern commission --records-only WHO WHY`",
    ),
    "proof-due": Code(_NOTICE, "The proof test of the interlocks is due", "Run `saltern proof-test`"),
    # records, clock, program
    "storage": Code(_ERROR, "The records could not be written or read", "Make room on the disk, or make it writable"),
    "disk-full": Code(_ERROR, "The disk with the records is full or cannot be written", "Make room"),
    "records-damaged": Code(
        _ERROR, "The records were damaged, and the service has started new ones", "Restore a backup if you can"
    ),
    "records-set-aside": Code(
        _ERROR, "A damaged record is set aside and is not used", "Check the view v_set_aside in the records"
    ),
    "records-lost": Code(
        _CRITICAL,
        "The records of pumping, trips and holds are lost",
        "Check the vessel, bottle and container, then run `saltern reset`",
    ),
    "copy-old": Code(
        _WARNING, "No copy of the records is younger than three days", "Check the disk of records.copy_to"
    ),
    "clock-behind": Code(_WARNING, "The clock is earlier than the newest record", "Set the clock"),
    "program-fault": Code(_CRITICAL, "The program failed at a command", "Report it with the service's log"),
    "not-started": Code(_CRITICAL, "The devices could not be opened", "Correct what the text lists"),
    "service-died": Code(_ERROR, "The service has died", "Check its log, and the state of the outputs in the text"),
    # signs of life
    "heartbeat": Code(_INFO, "The daily report that the bench works", "No action is needed, unless it lists something"),
    "test": Code(_NOTICE, "A test of the channels for alerts", "No action is needed"),
    "withdrawn": Code(_NOTICE, "An earlier alert no longer holds, or was a false alarm", "No action is needed"),
}
"""By the whole code."""

FAMILIES: dict[str, Code] = {
    "absent-": Code(_ERROR, "A device behind a port does not answer", "Check its cable and supply"),
    "part-due-": Code(
        _NOTICE, "A part is at the end of its life", "Replace it, then run `saltern part installed NAME`"
    ),
    "calibration-stale-": Code(_WARNING, "A calibration is old", "Calibrate again"),
    "interlock-": Code(None, "An interlock acts", "Follow its row; after a trip, run `saltern reset`"),
}
"""By what the code begins with; the rest names the device, part, calibration or interlock."""

REASONS: dict[Reason, Code] = {
    Reason.INTERLOCK: Code(None, "An interlock ended the run", "Check `saltern status`"),
    Reason.STOPPED: Code(None, "Somebody stopped the run", "Measure again when ready"),
    Reason.INTERRUPTED: Code(None, "The process ended in the middle of the run", "Check the log if it happens again"),
    Reason.NOT_EMPTY: Code(None, "The vessel was not proved empty", "Check the waste line, then run `saltern empty`"),
    Reason.SAMPLE_NOT_DRAWN: Code(None, "The sample did not arrive, or only part of it did", "Check the sample line"),
    Reason.PROBE_FAULT: Code(None, "A probe did not give a plausible reading", "Check the probe, plug and board"),
    Reason.MOTION_FAULT: Code(None, "A pump did not move as commanded", "Check its drive, supply and tube"),
    Reason.TITRANT_CEILING: Code(
        None, "A run used the most titrant that it may, without an end point", "Check the titrant and the probe"
    ),
    Reason.NO_RESPONSE: Code(
        None, "The electrode does not respond to the acid", "Check the bottle, titrant line and pH probe"
    ),
    Reason.NO_END_POINT: Code(None, "The curve has no end point", "Check the curve: `saltern show`"),
    Reason.STORAGE: Code(None, "The ledger could not be written", "Make room on the disk"),
    Reason.UNCERTAIN: Code(None, "The uncertainty is above the keeper's limit", "Standardise; check the budget"),
    Reason.POOR_FIT: Code(None, "The curve does not fit its model", "Check the electrode and the stirrer"),
    Reason.VOLUME_STEP: Code(None, "A dose differs from what was commanded", "Look for air in the titrant line"),
    Reason.OUTLIER: Code(None, "One reading lies off the curve", "Check the probe's plug if it happens again"),
    Reason.WINDOWS_DIFFER: Code(None, "Two parts of the curve disagree", "Check the electrode's slope"),
    Reason.UNSETTLED: Code(
        None,
        "The electrode did not settle",
        "Clean it; check whether the stirrer turns. Then run `saltern calibrate ph`: it measures the electrode's lag",
    ),
    Reason.ELECTRODE_CHANGED: Code(None, "The electrode has changed", "Calibrate it: `saltern calibrate ph`"),
    Reason.UNEXPECTED: Code(
        None, "The value is far from what earlier results suggest", "Wait for the second determination"
    ),
    Reason.FIRST: Code(
        None,
        "The value is the first of this bench, and nothing speaks for it yet",
        "Wait for the second determination",
    ),
    Reason.UNUSUAL: Code(
        None,
        "The value is unusual after the last ten days, as every seventeenth sound one is",
        "Wait for the second determination",
    ),
    Reason.OUT_OF_RANGE: Code(
        None, "The value is impossible in seawater", "Check the titrant, the electrode and the sample"
    ),
    Reason.NOT_STANDARDISED: Code(
        None, "The bench is not standardised, or its last standardisation is too old", "Run `saltern standardise`"
    ),
    Reason.SETTLING: Code(None, "A new part is still settling", "Wait; the remark shows how long"),
    Reason.CALIBRATION_DAMAGED: Code(None, "A calibration's record is damaged", "Calibrate again, or roll back"),
    Reason.STEP_UNEXPLAINED: Code(
        None, "A change repeats and is unexplained", "Measure a reference, or log the cause: a dose, a water change"
    ),
    Reason.TITRANT_WEIGHED: Code(
        None, "The weight shows a different volume of titrant", "Check the bottle and the tube"
    ),
    Reason.DRAINED_VOLUME: Code(
        None,
        "The vessel held a different volume from the one that was pumped in",
        "Check the pump heads, the lines and the bottle",
    ),
    Reason.STEPS_DOUBTED: Code(
        None,
        "This computer was busy, and a motor may have lost steps",
        "It is measured once more. If it happens again, stop other programs, or let a pump node drive the pumps",
    ),
}

REFUSALS: dict[Cause, Code] = {
    Cause.AIR_IN_LINE: Code(None, "The first amounts are small: there is air in the line", "Prime it, and begin again"),
    Cause.SCATTER: Code(None, "Replicates scatter more than the method allows", "Check the tube and the scale"),
    Cause.DIFFERS: Code(
        None, "The outcome is far from the previous one", "Repeat it. If a part is new, follow its message"
    ),
    Cause.WRONG_BUFFER: Code(None, "The electrode shows a different buffer", "Check the bottle"),
    Cause.BUFFERS_SWAPPED: Code(None, "The buffers were presented in the wrong order", "Begin again"),
    Cause.DRIFTING: Code(None, "The probe does not settle", "Wait, clean it, and begin again"),
    Cause.SLOPE: Code(None, "The electrode's slope is out of bounds", "Clean or replace it, and use fresh buffers"),
    Cause.OFFSET: Code(None, "The offset is out of bounds", "Check the probe, its plug and the thermometer"),
    Cause.POLARITY: Code(None, "The signal falls where it should rise", "Check the board's wiring"),
    Cause.BUBBLE: Code(None, "There is a bubble in the cell", "Knock it out, and begin again"),
    Cause.STANDARDS_SWAPPED: Code(None, "The standards were presented in the wrong order", "Begin again"),
    Cause.WRONG_STANDARD: Code(None, "The cell shows a different standard", "Check the bottle"),
    Cause.NOT_AT_TEMPERATURE: Code(None, "The liquid is too cold or too warm", "Let it come to the room's temperature"),
    Cause.NOT_ACCEPTED: Code(None, "One of its determinations was not accepted", "Check its reason"),
    Cause.JUMP: Code(None, "The new bottle gives a different value for the same water", "Check the label"),
    Cause.EXPIRED: Code(None, "The date on the bottle has passed", "Use a fresh bottle"),
    Cause.NOT_PASSED: Code(
        None, "A step of the bring-up was cut short", "Follow its message, then run `saltern bring-up`"
    ),
    Cause.NOT_READY: Code(None, "The computer or a board is not ready", "Run the command in its message"),
    Cause.DARK: Code(None, "An output does not follow its command", "Check its pin in the bench file and its wire"),
    Cause.WRONG_INPUT: Code(
        None, "A different input answers from the one that was opened", "Check whether two plugs are swapped"
    ),
    Cause.NO_INPUT: Code(None, "An input that was opened does not answer", "Check its plug, wire and pin"),
    Cause.LOOSE: Code(None, "An input opens when its plug is wiggled", "Crimp or solder the plug again"),
    Cause.LAPSE: Code(
        None, "A permit holds too long, or not long enough", "Check its one-shot's resistor and capacitor"
    ),
    Cause.STANDS: Code(None, "A pump does not turn", "Check the motor supply, fuse, driver and second float"),
    Cause.REVERSED: Code(None, "A pump turns the wrong way", "Swap its motor wires, or one coil of a stepper"),
    Cause.NOT_SEEN: Code(None, "The cell is in water, but it reads dry", "Salt the water; check height and plug"),
    Cause.NO_FLOW: Code(
        None, "A pump turned, and no liquid came", "Check the inlet, the outlet and the hose in the head"
    ),
    Cause.ACID_TOO_EARLY: Code(None, "Acid came where water was asked for", "Put the titrant inlet into fresh water"),
    Cause.NO_ACID: Code(None, "No acid comes from the titrant line", "Check its inlet and its outlet"),
    Cause.NOT_TANK_WATER: Code(
        None, "The water that was drawn has no alkalinity", "Put the sample inlet into the tank"
    ),
    Cause.DRIPS: Code(None, "Something drips, or the level changes at rest", "Tighten hoses; check the pump heads"),
    Cause.FLOAT: Code(None, "A float or sensor does not stop the pumps", "Check its wire, its pin and its position"),
    Cause.STOP: Code(None, "The stop button does not stop a running pump", "Check both its poles"),
    Cause.CELL: Code(None, "The cell reads dry, although somebody sees water", "Check the cell's plug"),
    Cause.GROUND_LOOP: Code(None, "The electrode moves when something is switched", "Isolate boards and supplies"),
    Cause.NOT_KILLED: Code(None, "Nobody killed the service while a pump turned", "Have the second terminal ready"),
    Cause.RAN_ON: Code(None, "A pump went on after the service was killed", "Repair its permit before anything else"),
    Cause.HEIGHTS: Code(None, "The vessel is not as the bench file says", "Tare the scale; measure with a rule"),
    Cause.RECOVERY: Code(
        None, "The amount found does not match the amount added", "Check the amounts, and begin again"
    ),
    Cause.NO_BENCH: Code(None, "A bench could not run with this outcome", "Check the inputs and the readings"),
}


def of_alert(code: str) -> Code:
    """Return the row of an alert's code."""
    family = next((row for begins, row in FAMILIES.items() if code.startswith(begins)), UNKNOWN)
    return ALERTS.get(code, family)


def rows() -> Iterator[tuple[str, str, Code]]:
    """Yield every row: whether it is an alert, a reason or a refusal, its code, and what it says."""
    for code, row in (*ALERTS.items(), *((f"{begins}*", row) for begins, row in FAMILIES.items())):
        yield "alert", code, row
    for reason, row in REASONS.items():
        yield "reason", reason.value, row
    for cause, row in REFUSALS.items():
        yield "refusal", cause.value, row
