"""What the keeper is told of beside interlocks and verdicts: values, stores, parts and calibrations.

Each function looks at one thing and returns what stands and what does not, so that an alert is raised once and
cleared when its cause has gone.
"""

from collections.abc import Iterator, Mapping, Sequence
from datetime import date, datetime, timedelta
from itertools import pairwise
from statistics import median
from typing import NamedTuple

from saltern.chemistry.endpoint.curve import Estimate
from saltern.chemistry.units import umol_kg_to_dkh
from saltern.config.tables import Alerts, BenchConfig, Part
from saltern.model.alert import Severity
from saltern.model.determination import Determination
from saltern.model.ledger import Ledger
from saltern.model.usage import Usage
from saltern.model.verdict import Verdict
from saltern.procedures.arithmetic import titrant_per_run_ml
from saltern.quality.history import MAD_TO_SD, OFFSET_FLOOR_MV, pivot_mv
from saltern.quality.part_settling import NewPart, Settles, Settling, still_settling
from saltern.records.upkeep import Installed
from saltern.tank.trend import trend_of

SETTLES: dict[str, Settles] = {"titrant bottle": "alkalinity", "pause": "alkalinity"}
"""Events that the service itself keeps, and what they bear on."""

WEIGHED_RESULTS, WEIGHED_OFF_PERCENT = 10, 3.0
"""So many fills by weight, and the gain is known; three percent of a tube's gain ask for a look (common practice)."""

LEAST_STEPS = 4
USUAL_STEP: dict[Settles, float] = {"alkalinity": 10.0, "ph": 0.5, "salinity": 0.1}
"""How far a tank and a probe move between determinations where their past does not say, umol/kg, mV and 1 (assumed)."""


class Watched(NamedTuple):
    """Whether something stands, how severe it is, its code, and words for the keeper."""

    stands: bool
    severity: Severity
    code: str
    text: str


def of_stores(config: BenchConfig, ledger: Ledger) -> Iterator[Watched]:
    """Look at titrant and waste, by the side of the ledger's interval that is the worse."""
    a_day_ml = config.schedule.starts_per_day * titrant_per_run_ml(config, config.expected_dkh or 7.0)
    days_left = ledger.titrant_left_ml.low / a_day_ml
    yield Watched(
        days_left < config.alerts.titrant_days,
        Severity.WARNING,
        "titrant-low",
        f"titrant for about {days_left:.0f} days is left: have a bottle ready",
    )
    container_ml = config.waste.container_ml
    yield Watched(
        ledger.waste_ml.high > config.alerts.waste_part * (container_ml - config.vessel.capacity_ml),
        Severity.WARNING,
        "waste-nearly-full",
        f"the waste container may hold {ledger.waste_ml.high / 1000:.1f} of {container_ml / 1000:.1f} L: empty it",
    )


def of_parts(
    config: BenchConfig, known: Mapping[str, Installed], now: datetime, turned: Mapping[str, Usage]
) -> Iterator[Watched]:
    """Look at the age of parts, and at what a tube's pump has turned since it was put in.

    One whose age nobody said is not due, and `status` says that it is unknown.
    """
    for name, part in config.parts.items():
        why = due_by(part, known[name], now, turned) if name in known else None
        yield Watched(why is not None, Severity.NOTICE, f"part-due-{name}", f"{name} is due: {why}")


def due_by(part: Part, since: Installed, now: datetime, turned: Mapping[str, Usage]) -> str | None:
    """Return why a part is due, or None."""
    if now - since.at > timedelta(days=part.life_days):
        return f"it has been in for more than {part.life_days:g} days"
    used = worn(part, since, turned)
    if part.life_hours is not None and used.running_s > 3600.0 * part.life_hours:
        return f"its pump has run {used.running_s / 3600.0:.1f} hours, and {part.life_hours:g} are its life"
    if part.life_litres is not None and used.volume_ml > 1000.0 * part.life_litres:
        return f"{used.volume_ml / 1000.0:.1f} litres went through, and {part.life_litres:g} are its life"
    return None


def worn(part: Part, since: Installed, turned: Mapping[str, Usage]) -> Usage:
    """Return what a part's pump has turned since it was put in; nothing, of a part that belongs to none."""
    if part.pump is None:
        return Usage()
    return turned.get(part.pump, Usage()).since(since.usage.get(part.pump, Usage()))


def settling(
    config: BenchConfig, known: Mapping[str, Installed], newest: Determination, past: Sequence[Determination]
) -> list[Settling]:
    """Return the parts that are still settling, by the results since they were put in, the newest included."""
    results = [*past, newest]
    found = []
    for name, part in known.items():
        bears_on = SETTLES.get(name) or (config.parts[name].settles if name in config.parts else None)
        if bears_on is None:
            continue
        values = [(d.started_at, value) for d in results if (value := _settles(d, bears_on)) is not None]
        before = [value.value for at, value in values if at < part.at]
        steps = [abs(after - earlier) for earlier, after in pairwise(before)]
        usual = MAD_TO_SD * median(steps) if len(steps) >= LEAST_STEPS else USUAL_STEP[bears_on]
        still = still_settling(NewPart(name, part.at, bears_on), values, newest.started_at, usual)
        if still is not None:
            found.append(still)
    return found


def _settles(d: Determination, bears_on: Settles) -> Estimate | None:
    """Return the value by which a part is seen to settle: of a pH probe that is its potential, not the tank's pH."""
    if bears_on == "ph":
        pivot = pivot_mv(d.end_point, d.temperature_c or 25.0) if d.end_point is not None else None
        return None if pivot is None else Estimate(pivot, OFFSET_FLOOR_MV)
    quantity = d.alkalinity if bears_on == "alkalinity" else d.salinity
    believed = quantity.verdict in (Verdict.ACCEPTED, Verdict.PROVISIONAL)
    if not believed or quantity.value is None or quantity.u is None:
        return None
    return Estimate(quantity.value, quantity.in_parts().u_own)


def of_calibrations(config: BenchConfig, today: date) -> Iterator[Watched]:
    """Look at the dates of calibrations, where the bench file gives them."""
    days = config.alerts.calibration_days
    for name, on in calibrated_on(config).items():
        old = on is not None and (today - on).days > days
        yield Watched(
            old,
            Severity.WARNING,
            f"calibration-stale-{name}",
            f"{name} was last calibrated on {on}, more than {days:g} days ago: calibrate it again",
        )


def of_weighed(config: BenchConfig, past: Sequence[Determination]) -> Iterator[Watched]:
    """Look at what the balance says of the sample pump: each fill calibrates it, and a tube's wear shows here first."""
    gains = [gain for d in past if (gain := d.calibrated.get("weighed.sample_ml_per_unit")) is not None]
    off_percent = 100.0 * (median(gains) / config.pumps.sample.ml_per_unit - 1.0) if gains else 0.0
    enough = len(gains) >= WEIGHED_RESULTS
    yield Watched(
        enough and abs(off_percent) > WEIGHED_OFF_PERCENT,
        Severity.NOTICE,
        "sample-pump-worn",
        f"by weight the sample pump gives {off_percent:+.1f} % against its calibration: look at its tube, calibrate it",
    )


def calibrated_on(config: BenchConfig) -> dict[str, date | None]:
    """Return the date of each calibration; None where the bench file gives none."""
    pumps, probes = config.pumps, config.probes
    return {
        "sample-pump": pumps.sample.calibrated_on,
        "waste-pump": pumps.waste.calibrated_on,
        "titrant-pump": pumps.titrant.calibrated_on,
        "ph-probe": probes.ph.calibrated_on,
        "conductivity-probe": probes.conductivity.calibrated_on,
        "temperature-probe": probes.temperature.calibrated_on,
        "titre": config.titre.calibrated_on,
    }


def calibrations(config: BenchConfig) -> list[tuple[str, str, str]]:
    """Return each calibration in words: what, its value, its date or that none is given."""
    pumps, probes, titre = config.pumps, config.probes, config.titre
    values = {
        "sample-pump": f"{pumps.sample.ml_per_unit:.6g} mL a unit, u {pumps.sample.gain_u_percent:g} %",
        "waste-pump": f"{pumps.waste.ml_per_unit:.6g} mL a unit, u {pumps.waste.gain_u_percent:g} %",
        "titrant-pump": f"{pumps.titrant.ml_per_unit:.6g} mL a unit, u {pumps.titrant.gain_u_percent:g} %",
        "ph-probe": f"slope {probes.ph.slope_percent:g} %, {probes.ph.e7_mv:+g} mV at pH 7",
        "conductivity-probe": f"factor {probes.conductivity.cell_factor:g}, u {probes.conductivity.u_percent:g} %",
        "temperature-probe": f"offset {probes.temperature.offset_k:+g} K, u {probes.temperature.u_k:g} K",
        "titre": f"factor {titre.factor:g}, "
        + ("never standardised" if titre.u_percent is None else f"u {titre.u_percent:g} %"),
    }
    dates = calibrated_on(config)
    return [(name, value, str(dates[name] or "date not given")) for name, value in values.items()]


def part_rows(config: BenchConfig, known: Mapping[str, Installed]) -> list[tuple[str, str, str]]:
    """Return each part in words: its name, when it was put in, when it is due."""
    rows = []
    for name, part in config.parts.items():
        since = known.get(name)
        if since is None:
            rows.append((name, "unknown", "unknown"))
        else:
            rows.append((name, f"{since.at:%Y-%m-%d}", f"{since.at + timedelta(days=part.life_days):%Y-%m-%d}"))
    return rows


def of_value(rules: Alerts, outcome: Determination, past: Sequence[Determination], now: datetime) -> Iterator[Watched]:
    """Look at a tank that leaves the keeper's band, or changes faster than the keeper wants.

    Parameters
    ----------
    rules, now
        What the keeper wants; the time.
    outcome
        The newest result, believed.
    past
        Believed results of the tank, the newest included.
    """
    if outcome.alkalinity.value is None:
        return
    salinity = outcome.salinity.value or 35.0
    dkh = umol_kg_to_dkh(outcome.alkalinity.value, salinity)
    for name, limit, off in (("low", rules.low_dkh, -1.0), ("high", rules.high_dkh, 1.0)):
        beyond = limit is not None and off * (dkh - limit) > 0.0
        text = f"alkalinity is {dkh:.2f} dKH, {name}er than {limit} dKH" if limit is not None else ""
        yield Watched(beyond, Severity.WARNING, f"alkalinity-{name}", text)
    line = trend_of([d for d in past if d.started_at >= now - timedelta(days=1)])
    if rules.change_dkh_per_day is not None and line is not None:
        a_day = umol_kg_to_dkh(line.umol_kg_per_day, salinity)
        sure = abs(line.umol_kg_per_day) > 2.0 * line.u_umol_kg_per_day
        yield Watched(
            sure and abs(a_day) > rules.change_dkh_per_day,
            Severity.WARNING,
            "alkalinity-changing",
            f"alkalinity changes by {a_day:+.2f} dKH a day: look at dosing and salinity",
        )
