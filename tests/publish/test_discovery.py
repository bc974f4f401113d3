"""What a bench announces to home automation leads to values that it really publishes."""

import json
import re

from saltern.publish.discovery import announcement
from saltern.records.as_json import determination_json
from tests.twin_bench import TwinBench


def test_every_template_finds_its_value_in_a_published_result():
    topic, payload = announcement("announce", "saltern/kelp-room", "kelp-room")
    published = json.loads(json.dumps(determination_json(1, TwinBench().determine())))

    assert topic == "announce/device/saltern-kelp-room/config"
    assert payload["availability_topic"] == "saltern/kelp-room/state"
    identities = [component["unique_id"] for component in payload["components"].values()]
    assert len(set(identities)) == len(identities) == 4
    for component in payload["components"].values():
        assert component["state_topic"] == "saltern/kelp-room/result"
        (path,) = re.findall(r"value_json\.([\w.]+)", component["value_template"])
        found = published
        for key in path.split("."):
            found = found[key]
        assert found is not None
