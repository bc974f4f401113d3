"""What a bench announces to home automation is what an implementation of the convention has judged.

`test_home_automation.py` has it judge anew, where it is installed; its last word is in `recorded/announcement.json`.
"""

import json
import re
from pathlib import Path

from saltern import __version__
from saltern.chemistry.alkalinity_unit import AlkalinityUnit
from saltern.publish.discovery import announcement
from saltern.publish.mqtt import status_json
from tests.nine_days import nine_days, shown

RECORDED = Path(__file__).with_name("recorded") / "announcement.json"


def test_the_announcement_is_the_one_that_was_judged():
    """Where it changes: `make hub`, then `pytest -m soak tests/publish/test_home_automation.py`."""
    judged = json.loads(RECORDED.read_text())
    topic, payload = announcement("announce", "saltern/kelp-room", "kelp-room", AlkalinityUnit.DKH)

    for part in ("device", "origin"):
        assert payload[part].pop("sw_version") == __version__
    assert {"topic": topic, "payload": payload} == judged["asked"]


def test_every_template_finds_its_value_in_a_published_status(tmp_path):
    _, payload = announcement("announce", "saltern/kelp-room", "kelp-room", AlkalinityUnit.DKH)
    published = json.loads(json.dumps(status_json(shown(nine_days(tmp_path)))))

    for key, component in payload["components"].items():
        assert component["state_topic"] == "saltern/kelp-room/status"
        paths = re.findall(r"value_json\.([\w.]+)", component["value_template"])
        assert paths, key
        for path in paths:
            found = published
            for part in path.split("."):
                found = found[part]
            assert found is not None, path
