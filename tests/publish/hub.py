"""Run by a test in a Python of its own: an implementation of the discovery convention, on a broker. Prints JSON.

python hub.py FOLDER PORT PREFIX

It is the implementation's own core, MQTT client, discovery and statistics, set up as its start-up does, but without its
screens. Its first line says what it is. Each line of its input then asks for what it has: devices, entities with their
states, which of them it charts, what its tables say of their units, and what it has logged since as a warning or worse.
"""

import asyncio
import json
import logging
import platform
import sys
from importlib.metadata import version
from pathlib import Path

from homeassistant import bootstrap, config_entries, core, loader
from homeassistant.auth import auth_manager_from_config
from homeassistant.components.mqtt.const import CONFIG_ENTRY_MINOR_VERSION, CONFIG_ENTRY_VERSION
from homeassistant.components.mqtt.debug_info import info_for_device
from homeassistant.components.recorder.statistics import async_list_statistic_ids
from homeassistant.components.sensor.const import DEVICE_CLASS_STATE_CLASSES, DEVICE_CLASS_UNITS
from homeassistant.helpers import device_registry, entity_registry
from homeassistant.helpers.recorder import async_initialize_recorder
from homeassistant.setup import async_setup_component

PACKAGE = "homeassistant"
OF_ITSELF = ("homeassistant.helpers.frame", "homeassistant.setup")
"""What these log is of its own code, and of how long its start took, whatever it was sent."""


class Heard(logging.Handler):
    """Keeps what is logged as a warning or worse."""

    def __init__(self):
        super().__init__(logging.WARNING)
        self.lines = []

    def emit(self, record):
        if record.name not in OF_ITSELF:
            self.lines.append(f"{record.levelname} {record.name}: {self.format(record)}")

    def take(self):
        lines, self.lines = self.lines, []
        return lines


async def begin(folder, port, prefix):
    """Start it, and let it listen to the broker."""
    Path(folder, "configuration.yaml").touch()
    hub = core.HomeAssistant(folder)
    loader.async_setup(hub)
    hub.config.skip_pip = True
    hub.config_entries = config_entries.ConfigEntries(hub, {})
    await bootstrap.async_load_base_functionality(hub)
    hub.auth = await auth_manager_from_config(hub, [], [])
    async_initialize_recorder(hub)
    for part in ("homeassistant", "recorder"):
        if not await async_setup_component(hub, part, {part: {}}):
            raise RuntimeError(f"{part} could not be set up")
    hub.config.components.update({"http", "file_upload"})  # its form for a broker needs them, and nothing here
    await hub.async_start()
    await hub.config_entries.async_add(
        config_entries.ConfigEntry(
            data={"broker": "127.0.0.1", "port": port},
            options={"discovery": True, "discovery_prefix": prefix},
            discovery_keys={},
            domain="mqtt",
            minor_version=CONFIG_ENTRY_MINOR_VERSION,
            version=CONFIG_ENTRY_VERSION,
            source=config_entries.SOURCE_USER,
            subentries_data=(),
            title="the broker",
            unique_id=None,
        )
    )
    return hub


def devices(hub):
    """Return what it knows of each device."""
    found = device_registry.async_get(hub).devices.values()
    return [
        {"name": one.name, "version": one.sw_version, "identifiers": sorted(map(list, one.identifiers))}
        for one in found
    ]


def heard_at(hub):
    """Return by entity the quality of service at which it was sent its newest state."""
    found = {}
    for device in device_registry.async_get(hub).devices.values():
        for entity in info_for_device(hub, device.id)["entities"]:
            messages = [
                m for one in entity["subscriptions"] for m in one["messages"] if not m["topic"].endswith("/state")
            ]
            found[entity["entity_id"]] = messages[-1]["qos"] if messages else None
    return found


def outside_the_tables(attributes):
    """Return what its own tables say against a sensor's unit and state class."""
    said, kind = [], attributes.get("device_class")
    if kind in DEVICE_CLASS_UNITS and attributes.get("unit_of_measurement") not in DEVICE_CLASS_UNITS[kind]:
        said.append(f"unit {attributes.get('unit_of_measurement')} of a {kind}")
    state_class = attributes.get("state_class")
    if state_class is not None and state_class not in DEVICE_CLASS_STATE_CLASSES.get(kind, {state_class}):
        said.append(f"state class {state_class} of a {kind}")
    return said


async def entities(hub):
    """Return each entity by its unique identifier, as its registry, its states and its statistics have it."""
    charted = {one["statistic_id"] for one in await async_list_statistic_ids(hub)}
    qualities, found = heard_at(hub), {}
    for entry in entity_registry.async_get(hub).entities.values():
        state = hub.states.get(entry.entity_id)
        attributes = {} if state is None else dict(state.attributes)
        found[entry.unique_id] = {
            "entity_id": entry.entity_id,
            "category": entry.entity_category,
            "precision": entry.options.get("sensor", {}).get("suggested_display_precision"),
            "charted": entry.entity_id in charted,
            "qos": qualities.get(entry.entity_id),
            "outside_the_tables": outside_the_tables(attributes) if entry.domain == "sensor" else [],
            "state": None if state is None else state.state,
            "attributes": attributes,
        }
    return found


async def answer(hub, heard):
    """Answer each line of the input until it ends."""
    while await asyncio.to_thread(sys.stdin.readline):
        await hub.async_block_till_done()
        what = {"devices": devices(hub), "entities": await entities(hub), "logged": heard.take()}
        print(json.dumps(what, default=str), flush=True)


async def main(folder, port, prefix):
    heard = Heard()
    logging.getLogger().addHandler(heard)
    logging.getLogger().addHandler(logging.StreamHandler())
    print(
        json.dumps({"package": PACKAGE, "version": version(PACKAGE), "python": platform.python_version()}), flush=True
    )
    hub = await begin(folder, int(port), prefix)
    await answer(hub, heard)
    await hub.async_stop(force=True)


if __name__ == "__main__":
    asyncio.run(main(*sys.argv[1:]))
