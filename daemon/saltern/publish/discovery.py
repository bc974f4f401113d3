"""Announces a bench to home automation by the open device-discovery convention of MQTT.

One retained message on ``PREFIX/device/ID/config`` describes the whole device: its sensors, each with the topic, the
template that takes its value out of the JSON, and the availability topic. Keys are the convention's long forms; they
are from memory and from published descriptions, and were not tried against a home automation.
"""

from typing import Any

from saltern import __version__

SENSORS: tuple[tuple[str, str, str, str | None], ...] = (
    ("alkalinity", "Alkalinity", "value_json.alkalinity.dkh", "dKH"),
    ("alkalinity_verdict", "Alkalinity, verdict", "value_json.alkalinity.verdict", None),
    ("ph_total", "pH, total scale", "value_json.ph_total.value", None),
    ("salinity", "Salinity", "value_json.salinity.value", None),
)
"""Identifier, name, where the value is in a published result, unit."""


def announcement(prefix: str, topic: str, bench: str) -> tuple[str, dict[str, Any]]:
    """Return topic and payload that announce one bench.

    Parameters
    ----------
    prefix
        Where the home automation listens.
    topic
        The bench's own, without a trailing slash.
    bench
        Its name.
    """
    identity = f"saltern-{bench}"
    components: dict[str, dict[str, Any]] = {}
    for key, name, path, unit in SENSORS:
        component: dict[str, Any] = {
            "platform": "sensor",
            "unique_id": f"{identity}-{key}",
            "name": name,
            "state_topic": f"{topic}/result",
            "value_template": f"{{{{ {path} }}}}",
        }
        if unit is not None:
            component["unit_of_measurement"] = unit
        components[key] = component
    payload = {
        "device": {"identifiers": [identity], "name": f"Saltern {bench}", "sw_version": __version__},
        "origin": {"name": "saltern", "sw_version": __version__},
        "components": components,
        "availability_topic": f"{topic}/state",
        "payload_available": "online",
        "payload_not_available": "offline",
        "qos": 1,
    }
    return f"{prefix}/device/{identity}/config", payload
