"""Announces a bench to home automation by the open device-discovery convention of MQTT.

One retained message on ``PREFIX/device/ID/config`` describes the whole device: its entities, each with the template
that takes its value out of the bench's retained status, and the availability topic. Keys are the convention's long
forms. `tests/publish/test_home_automation.py` has an implementation of the convention judge it, and
`tests/publish/recorded/announcement.json` keeps what that one made of it.

Values are those of the newest determination of the tank that may be reported, not of whatever was measured last: a
reference solution is not the tank.
"""

from dataclasses import dataclass, field
from typing import Any

from saltern import __version__
from saltern.chemistry.alkalinity_unit import DIGITS, AlkalinityUnit
from saltern.model.alert import Severity
from saltern.model.verdict import REPORTABLE, Verdict

MEASURED = {"state_class": "measurement"}
LASTS = {"state_class": "measurement", "unit_of_measurement": "d", "device_class": "duration"}
DIAGNOSTIC = {"entity_category": "diagnostic"}
AT_LEAST_ONCE = 1
FOR_THE_KEEPER = f"value_json.alerts | rejectattr('for_the_keeper', 'equalto', '{Severity.NOTICE.for_the_keeper}')"
"""Those alerts that ask for something; the others are for information."""


@dataclass(frozen=True)
class Entity:
    """One value that home automation shows.

    `template` is what the convention makes of a status that came as `value_json`; `none` becomes "unknown".
    """

    key: str
    name: str
    template: str
    options: dict[str, Any] = field(default_factory=dict)
    platform: str = "sensor"


def _template(expression: str) -> str:
    return f"{{{{ {expression} }}}}"


def _of(part: str, path: str) -> str:
    """Return the template of a value in a part of the status that may be null."""
    return _template(f"value_json.{part}.{path} if value_json.{part} else none")


def _where_reportable(quantity: str) -> str:
    """Return the template of a quantity beside the alkalinity, which has a verdict of its own."""
    verdicts = ", ".join(f"'{verdict.value}'" for verdict in REPORTABLE)
    newest = f"value_json.newest.{quantity}"
    return _template(f"{newest}.value if value_json.newest and {newest}.verdict in [{verdicts}] else none")


def _alkalinity(unit: AlkalinityUnit) -> tuple[Entity, ...]:
    """Return the alkalinity in the keeper's unit, its standard uncertainty, and what the tank consumes of it."""
    in_unit = {**MEASURED, "unit_of_measurement": unit.value}
    return (
        Entity(
            "alkalinity",
            "Alkalinity",
            _of("newest", "alkalinity.as_read.value"),
            {**in_unit, "suggested_display_precision": DIGITS[unit]},
        ),
        Entity(
            "alkalinity_u",
            "Alkalinity, standard uncertainty",
            _of("newest", "alkalinity.as_read.u"),
            {**in_unit, **DIAGNOSTIC, "suggested_display_precision": DIGITS[unit] + 1},
        ),
        Entity(
            "consumption",
            "Consumption",
            _of("consumption", "value"),
            {**in_unit, "unit_of_measurement": f"{unit.value}/d", "suggested_display_precision": DIGITS[unit]},
        ),
    )


OTHERS = (
    Entity(
        "ph_total",
        "pH, total scale",
        _where_reportable("ph_total"),
        {"state_class": "measurement", "device_class": "ph", "suggested_display_precision": 2},
    ),
    Entity(  # practical salinity has no unit (TEOS-10 manual, IOC, SCOR and IAPSO 2010)
        "salinity",
        "Salinity",
        _where_reportable("salinity"),
        {"state_class": "measurement", "suggested_display_precision": 2},
    ),
    Entity(
        "temperature",
        "Sample temperature",
        _of("newest", "temperature_c"),
        {"state_class": "measurement", "device_class": "temperature", "unit_of_measurement": "°C"},
    ),
    Entity("measured_at", "Measured", _of("newest", "started_utc"), {"device_class": "timestamp"}),
    Entity(
        "alkalinity_verdict",
        "Last determination, verdict",
        _of("last", "verdict"),
        {**DIAGNOSTIC, "device_class": "enum", "options": [verdict.value for verdict in Verdict]},
    ),
    Entity("next", "Next start", _of("next", "at_utc"), {"device_class": "timestamp"}),
    Entity(
        "titrant_days",
        "Titrant, lasts at least",
        _template("value_json.bottle.days_left"),
        {**LASTS, "suggested_display_precision": 1},
    ),
    Entity(
        "waste_days",
        "Waste container, has room for at least",
        _template("value_json.waste.days_left"),
        {**LASTS, "suggested_display_precision": 1},
    ),
    Entity(
        "alert",
        "Alert",
        _template(f"'ON' if {FOR_THE_KEEPER} | list else 'OFF'"),
        {
            "device_class": "problem",
            "json_attributes_template": _template(
                f"dict(texts={FOR_THE_KEEPER} | map(attribute='text') | list) | tojson"
            ),
        },
        platform="binary_sensor",
    ),
)
"""Device classes and units are those of the convention. A key is for good: a keeper's charts hang on it."""


def announcement(prefix: str, topic: str, bench: str, unit: AlkalinityUnit) -> tuple[str, dict[str, Any]]:
    """Return topic and payload that announce one bench.

    Parameters
    ----------
    prefix
        Where the home automation listens.
    topic
        The bench's own, without a trailing slash.
    bench, unit
        Its name, and in which unit its keeper reads alkalinity.
    """
    identity = f"saltern-{bench}"
    payload = {
        "device": {"identifiers": [identity], "name": f"Saltern {bench}", "sw_version": __version__},
        "origin": {"name": "saltern", "sw_version": __version__},
        "components": {
            entity.key: _component(entity, identity, f"{topic}/status") for entity in (*_alkalinity(unit), *OTHERS)
        },
        "availability_topic": f"{topic}/state",
        "payload_available": "online",
        "payload_not_available": "offline",
    }
    return f"{prefix}/device/{identity}/config", payload


def _component(entity: Entity, identity: str, topic: str) -> dict[str, Any]:
    component = {
        "platform": entity.platform,
        "unique_id": f"{identity}-{entity.key}",
        "name": entity.name,
        "state_topic": topic,
        "value_template": entity.template,
        "qos": AT_LEAST_ONCE,  # stated for the whole device it is not taken over
        **entity.options,
    }
    if "json_attributes_template" in component:
        component["json_attributes_topic"] = topic
    return component
