"""What a running bench says of itself: one immutable picture for `status`, built outside the control thread."""

from datetime import datetime, timedelta
from typing import Any

from saltern.bench.interlocks import Row
from saltern.config.tables import BenchConfig
from saltern.model import codes
from saltern.model.alert import Alert
from saltern.model.determination import Source
from saltern.model.ledger import Ledger
from saltern.model.usage import Usage
from saltern.ports import Connection
from saltern.procedures.arithmetic import TYPICAL_DKH, sample_per_run_ml, titrant_per_run_ml
from saltern.records.as_json import determination_json
from saltern.records.calibrations import in_force
from saltern.records.copies import copied
from saltern.records.store import Store
from saltern.records.upkeep import Installed, away_now, installed, state, usage
from saltern.running.away import stretched
from saltern.running.bringing_up import checklist
from saltern.running.commissioning import commissioned
from saltern.running.schedule import Decision, next_slots
from saltern.running.start_rules import Refusal
from saltern.running.watch.parts import due_by, worn
from saltern.tank.trend import trend_of

TREND_DAYS = 7


def room_left_days(config: BenchConfig, room_ml: float) -> float:
    """Return how long the waste container has room, at least, at today's schedule; samples and titrant go into it."""
    a_day_ml = sample_per_run_ml(config) + titrant_per_run_ml(config, config.expected_dkh or TYPICAL_DKH)
    return max(0.0, room_ml) / (config.schedule.starts_per_day * a_day_ml)


def picture(
    config: BenchConfig,
    reader: Store,
    now: datetime,
    *,
    ledger: Ledger,
    acting: tuple[Row, ...],
    standing: tuple[Alert, ...],
    running: dict[str, Any] | None,
    conditions: dict[str, bool],
    decision: Decision,
    refused: Refusal | None,
    bypassed: dict[str, float],
    connections: dict[str, Connection],
) -> dict[str, Any]:
    """Return the status as JSON.

    Parameters
    ----------
    config, reader, now
        The bench, its records (a connection of the caller's own), the time.
    ledger, acting, standing, running, conditions, decision, refused, bypassed, connections
        As they are this moment: volumes, interlocks, alerts, the run under way, what is known of conditions, whether
        a determination is due and why none may start, interlocks that are bypassed with the seconds left, and devices
        behind ports by their places in the bench file.
    """
    newest = reader.results(1)
    since = now - timedelta(days=TREND_DAYS)
    past = [d for d in reader.reportable(Source.TANK, 200) if d.started_at >= since]
    line = trend_of(past)
    last_started = reader.last_started(Source.TANK) if running is None else now
    away = away_now(reader, now)
    schedule = config.schedule if away is None else stretched(config.schedule, away.gap_h)
    slots = next_slots(schedule, now, last_started, 1, config.name)
    a_day_ml = config.schedule.starts_per_day * titrant_per_run_ml(config, config.expected_dkh or 7.0)
    room_ml = config.waste.container_ml - config.vessel.capacity_ml - ledger.waste_ml.high
    return {
        "schema_version": 1,
        "bench": config.name,
        "at_utc": now.isoformat(timespec="seconds"),
        "time_zone": config.schedule.time_zone,
        "alkalinity_unit": config.alkalinity_unit.value,
        "running": running,
        "last": determination_json(*newest[0], past) if newest else None,
        "trend": None
        if line is None
        else {
            "umol_per_kg_per_day": line.umol_kg_per_day,
            "u": line.u_umol_kg_per_day,
            "results": line.results,
            "days": TREND_DAYS,
        },
        "next": None if not slots else {"at_utc": slots[0].at.isoformat(timespec="seconds"), "why": slots[0].why},
        "titrant": {
            "left_ml": [ledger.titrant_left_ml.low, ledger.titrant_left_ml.high],
            "days_left": ledger.titrant_left_ml.low / a_day_ml,
        },
        "waste": {"in_ml": [ledger.waste_ml.low, ledger.waste_ml.high], "room_ml": max(0.0, room_ml)},
        "waste_days": room_left_days(config, room_ml),
        "vessel_ml": [ledger.vessel_ml.low, ledger.vessel_ml.high],
        "start": {
            "due": decision.start,
            "why": decision.why,
            "refused": None if refused is None else {"what": refused.what, "remedy": refused.remedy},
        },
        "interlocks": [{"name": row.name, "kind": row.kind, "remedy": row.remedy} for row in acting],
        "alerts": [
            {
                "code": alert.code,
                "severity": alert.severity.label,
                "for_the_keeper": alert.severity.for_the_keeper,
                "since_utc": alert.at.isoformat(timespec="seconds"),
                "text": alert.text,
                "means": codes.of_alert(alert.code).means,
                "do": codes.of_alert(alert.code).do,
            }
            for alert in standing
        ],
        "conditions": conditions,
        "bypasses": [{"name": name, "left_h": left_s / 3600.0} for name, left_s in bypassed.items()],
        "devices": [
            {
                "place": place,
                "where": connection.where,
                "up": connection.up,
                "returns": connection.returns,
                "trouble": connection.trouble or None,
                "remedy": None if connection.up else connection.remedy,
            }
            for place, connection in connections.items()
        ],
        "parts": _parts(config, installed(reader), now, usage(reader)),
        "commissioned": commissioned(reader, config),
        "bring_up": checklist(reader, config).as_json(),
        "parked": state(reader, "parked"),
        "held_until": state(reader, "held_until"),
        "calibrations": [
            {"kind": kind.value, "id": kept.id, "at_utc": kept.at.isoformat(timespec="seconds"), "words": kept.words}
            for kind, kept in in_force(reader).items()
            if kept.values  # a step of the bring-up that measured nothing is in the checklist alone
        ],
        "copied": _copied(config, reader),
        "away": None if away is None else {"until_utc": away.until.isoformat(timespec="seconds"), "gap_h": away.gap_h},
    }


def _copied(config: BenchConfig, reader: Store) -> dict[str, Any] | None:
    """Return where the records are copied to, and when last; None where the bench file does not ask for it."""
    if config.records.copy_to is None:
        return None
    newest = copied(reader)
    at_utc = None if newest is None else newest.at.isoformat(timespec="seconds")
    return {"to": config.records.copy_to, "at_utc": at_utc}


def _parts(
    config: BenchConfig, known: dict[str, Installed], now: datetime, turned: dict[str, Usage]
) -> list[dict[str, Any]]:
    """Return each part with its age, what its pump has turned, and when it is due; of an unknown age, nothing."""
    found: list[dict[str, Any]] = []
    for name, part in config.parts.items():
        since = known.get(name)
        due = None if since is None else since.at + timedelta(days=part.life_days)
        found.append(
            {
                "name": name,
                "installed_utc": None if since is None else since.at.isoformat(timespec="seconds"),
                "due_utc": None if due is None else due.isoformat(timespec="seconds"),
                "overdue": None if since is None else due_by(part, since, now, turned) is not None,
                "running_h": None if since is None else worn(part, since, turned).running_s / 3600.0,
                "litres": None if since is None else worn(part, since, turned).volume_ml / 1000.0,
            }
        )
    return found
