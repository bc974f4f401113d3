"""The schema for editors, judged by a general implementation of JSON Schema: it takes what the service takes."""

import tomllib
from copy import deepcopy
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from saltern.config.loading import bench_from, bench_schema
from saltern.errors import StartupError

CONFIG = Path(__file__).parents[2] / "config"
MQTT = {"host": "127.0.0.1"}
ADVICE = {"most_dkh_per_day": 1.5}


@pytest.fixture(scope="module")
def validator():
    schema = bench_schema()
    Draft202012Validator.check_schema(schema)
    return Draft202012Validator(schema)


@pytest.mark.parametrize("file", sorted(CONFIG.glob("bench-*.toml")), ids=lambda file: file.stem)
def test_every_example_bench_is_one(validator, file):
    assert [error.message for error in validator.iter_errors(tomllib.loads(file.read_text()))] == []


@pytest.mark.parametrize(
    ("outlets", "right"),
    [
        ({"mqtt": MQTT}, True),
        ({"mqtt": {**MQTT, "advice": ADVICE}}, True),
        ({"mqtt": {**MQTT, "advice": {}}}, False),
        ({"mqtt": {**MQTT, "advice": {**ADVICE, "valid_h": 200.0}}}, False),
        ({"mqtt": {**MQTT, "nonsense": 1}}, False),
        ({"mqtt": {"port": 0}}, False),
        ({"nonsense": {}}, False),
    ],
)
def test_of_an_outlet_it_takes_what_the_service_takes(validator, outlets, right):
    table = deepcopy(tomllib.loads((CONFIG / "bench-simulated.toml").read_text()))
    table["outlets"] = outlets

    assert validator.is_valid(table) is right
    if right:
        bench_from(table, where="a test")
    else:
        with pytest.raises(StartupError):
            bench_from(table, where="a test")


def test_every_reference_in_it_leads_somewhere(validator):
    """A validator follows only what a file happens to use."""
    schema = validator.schema

    def references(part):
        if isinstance(part, dict):
            for key, value in part.items():
                if key == "$ref":
                    yield value
                yield from references(value)
        elif isinstance(part, list):
            for each in part:
                yield from references(each)

    found = set(references(schema))
    assert found
    for reference in found:
        assert reference.startswith("#/$defs/")
        assert reference.removeprefix("#/$defs/") in schema["$defs"], reference
