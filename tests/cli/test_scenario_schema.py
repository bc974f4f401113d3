"""`saltern simulate --schema` prints what a scenario may say, closed lists included."""

import json

import pytest

from saltern_drivers.twin.scenario import ALIASES, FAULTS, PHASES
from saltern_drivers.twin.truth_table import TABLE
from tests.cli.command import run


@pytest.fixture(scope="module")
def schema():
    code, out, _ = run("simulate", "--schema")
    assert code == 0
    return json.loads(out)


def test_it_lists_every_truth_with_its_bounds_and_what_it_is(schema):
    truths = schema["$defs"]["TruthTable"]

    assert set(truths["properties"]) == set(TABLE)
    assert truths["additionalProperties"] is False
    assert truths["properties"]["borate_ratio"]["description"].startswith("borate of the tank's salt")
    assert truths["properties"]["permit_lapse_s"]["anyOf"][0]["minimum"] == TABLE["permit_lapse_s"].least


def test_it_lists_worlds_faults_and_single_errors(schema):
    twin = schema["$defs"]["TwinTable"]

    assert twin["properties"]["world"]["enum"] == ["near", "apart", "unfriendly"]
    assert "noise_mv" in twin["properties"]
    assert twin["additionalProperties"] is False
    assert schema["$defs"]["FaultTable"]["properties"]["kind"]["enum"] == sorted(FAULTS)
    assert schema["$defs"]["FaultTable"]["properties"]["at_phase"]["enum"] == [*PHASES, *ALIASES, None]
    assert all(schema["$defs"][name]["additionalProperties"] is False for name in schema["$defs"])


def test_without_a_scenario_it_says_what_to_name():
    code, _, err = run("simulate")

    assert code == 2
    assert "--schema" in err
