"""A finding in plain words: what it is, since when, how sure, and what would decide best."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from saltern.chemistry.alkalinity_unit import AlkalinityUnit, said, said_with_u
from saltern.model.logbook import DoserChange, Event, Logged
from saltern.report.words import with_minus
from saltern.tank.findings import Ask, Cause, Finding, Whose

BEFORE_ONSET, AFTER_ONSET = timedelta(days=2), timedelta(hours=12)
"""An onset is known to about a day, and what corals take up changes some time after what changes it (assumed)."""

CAUSES: dict[Cause, str] = {
    Cause.CONSUMPTION_ROSE: "the tank takes up more",
    Cause.CONSUMPTION_FELL: "the tank takes up less",
    Cause.DOSE_MISSED: "the doser gives less than it is set to, or nothing",
    Cause.DOSE_EXCESS: "more was dosed than is written down",
    Cause.DOSE_UNLOGGED: "something was dosed and not logged",
    Cause.WATER_CHANGE_UNLOGGED: "water was changed, or ran in, and was not logged",
    Cause.SALINITY_MOVED: "the tank's salinity moved",
    Cause.SAMPLE_TUBE_WORN: "the sample pump's tube is worn",
    Cause.TITRANT_TUBE_WORN: "the titrant pump's tube is worn",
    Cause.TITRANT_CHANGED: "the titrant has another strength",
    Cause.FACTOR_MOVED: "the titre factor moved",
    Cause.AIR_IN_TITRANT_LINE: "air is in the titrant line",
    Cause.AIR_IN_SAMPLE_LINE: "air is in the sample line",
    Cause.ELECTRODE_AGED: "the electrode has lost slope",
    Cause.ELECTRODE_OFFSET: "the electrode's offset moved",
    Cause.ELECTRODE_DEAD: "the electrode does not answer",
    Cause.STIRRER: "the stirrer does not mix",
    Cause.CELL_FOULED: "the conductivity cell is fouled",
    Cause.TEMPERATURE_SENSOR: "the temperature sensor reads wrongly",
    Cause.CARRY_OVER: "an earlier sample is carried over",
    Cause.RECALIBRATION: "a new calibration moved the results",
    Cause.UNKNOWN: "the cause is not known",
}
ASKS: dict[Ask, str] = {
    Ask.REFERENCE: "measure a reference: saltern standardise",
    Ask.REPEAT: "measure again: saltern measure",
    Ask.WEIGH_TITRANT: "weigh what the titrant pump gives: saltern calibrate pump titrant",
    Ask.WEIGH_SAMPLE: "weigh what the sample pump gives: saltern calibrate pump sample",
    Ask.BUFFERS: "put the electrode into buffers: saltern calibrate ph",
    Ask.CONDUCTIVITY_STANDARD: "put the cell into a standard: saltern calibrate conductivity",
    Ask.TRIS: "check the electrode in TRIS: saltern check-tris",
    Ask.KIT_TEST: "test the tank by a kit, and write it down: saltern log test alkalinity",
    Ask.WAIT: "wait for more results: nothing that you could measure now shows more",
}


def size_in_words(finding: Finding, unit: AlkalinityUnit, salinity: float) -> str:
    """Return a size with k = 2, in the keeper's unit where it is an alkalinity."""
    if finding.unit.startswith("dKH"):
        a_day = " a day" if finding.unit.endswith("/day") else ""
        return f"{said_with_u(finding.size, finding.u, unit, salinity, signed=True)}{a_day}"
    return f"{finding.size:+.1f} ± {2.0 * finding.u:.1f} {finding.unit}"


def line(finding: dict[str, Any], unit: AlkalinityUnit, salinity: float, zone: ZoneInfo) -> str:
    """Return a finding as JSON in a line, by the bench's clock: what it is, since when, how sure, what would decide."""
    since, cause = datetime.fromisoformat(finding["since_utc"]).astimezone(zone), Cause(finding["cause"])
    size = f"{finding['size']:+.2f} {finding['unit']}"
    if finding["unit"].startswith("dKH"):
        a_day = " a day" if finding["unit"].endswith("/day") else ""
        size = f"{said(finding['size'], unit, salinity, signed=True)}{a_day}"
    size = with_minus(size)
    words = f"no. {finding['id']}: since {since:%a %d %b %H:%M} {CAUSES[cause]} ({finding['is']}), {size} "
    words += f"({min(99, round(100 * finding['probability']))} % sure)"
    if finding["supersedes"] is not None:
        words += f", instead of no. {finding['supersedes']}"
    if finding["ask"] is None:
        return words
    cost = f" ({finding['cost_ml']:.0f} mL)" if finding["cost_ml"] else ""
    return f"{words}. The measurement that would decide it: {ASKS[Ask(finding['ask'])]}{cost}"


def written_near(logged: Sequence[Logged], since: datetime) -> list[str]:
    """Return what the keeper wrote down of events about an onset: it may be why."""
    near = [one.entry for one in logged if -BEFORE_ONSET <= one.at - since <= AFTER_ONSET]
    events = [one for one in near if isinstance(one, Event)]
    return [one.text or one.what.replace("-", " ") for one in events] + [
        f"a doser was set to {one.ml_per_day:g} mL of {one.supplement} a day"
        for one in near
        if isinstance(one, DoserChange)
    ]


def in_words(
    finding: Finding,
    since: datetime,
    reported: Sequence[Finding],
    logged: Sequence[Logged],
    zone: ZoneInfo,
    unit: AlkalinityUnit,
    salinity: float,
) -> str:
    """Return a finding in words for its keeper.

    Parameters
    ----------
    finding, since
        What was found, and the wall clock at its onset.
    reported
        What was reported before: the finding may replace one of these.
    logged
        What the keeper wrote down.
    zone, unit, salinity
        The keeper's clock and unit, and the salinity for it.
    """
    when = f"since about {since.astimezone(zone):%a %d %b %H:%M}"
    replaced = next((one for one in reported if one.id == finding.supersedes), None)
    if finding.shape is None:
        was = "an earlier finding" if replaced is None else f"finding {replaced.id} ({CAUSES[replaced.cause]})"
        return f"a false alarm: {was} does not hold any more ({100 * finding.probability:.0f} % sure)"
    instead = "" if replaced is None else f", instead of finding {replaced.id}"
    size, sure = size_in_words(finding, unit, salinity), f"{min(99, round(100 * finding.probability))} % sure"
    if finding.whose is Whose.CANNOT_TELL:
        words = (
            f"something changed {when} ({size}), and it is not yet known whether tank or instrument ({sure}){instead}"
        )
    else:
        words = f"{when} {CAUSES[finding.cause]}: {finding.whose.value}, {size} ({sure}){instead}"
    near = written_near(logged, since)
    words += f". Written down about then: {'; '.join(near)}" if near else ""
    if finding.ask is None:
        return words
    cost = "" if not finding.cost_ml else f" ({finding.cost_ml:.0f} mL)"
    return f"{words}. The measurement that would decide it: {ASKS[finding.ask]}{cost}"
