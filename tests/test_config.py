"""A bench file says everything with its unit, and every mistake in it is told at once."""

import tomllib

import pytest

from saltern.config.loading import bench_from, load_bench, shipped_config
from saltern.errors import ConfigError, StartupError


@pytest.fixture
def table():
    return tomllib.loads(shipped_config("bench-simulated.toml").read_text())


def test_every_shipped_example_loads():
    for path in shipped_config("bench-simulated.toml").parent.glob("bench*.toml"):
        load_bench(path)


def test_all_mistakes_come_in_one_tree(table):
    table["vessel"]["area_cm"] = table["vessel"].pop("area_cm2")
    table["sample"]["volume_ml"] = "a lot"
    del table["limits"]

    with pytest.raises(StartupError) as caught:
        bench_from(table, where="reef.toml")

    text = str(caught.value)
    assert len(caught.value.causes) == 4
    assert "reef.toml, vessel.area_cm: is not an option" in text
    assert "reef.toml, vessel.area_cm2: is missing" in text
    assert "sample.volume_ml" in text
    assert "'a lot'" in text
    assert "reef.toml, limits: is missing" in text


def test_a_titration_that_could_reach_the_float_is_refused(table):
    table["limits"]["titrant_per_run_ml"] = 40.0

    with pytest.raises(StartupError, match="the overfill float acts at 136 mL"):
        bench_from(table, where="reef.toml")


def test_heights_out_of_order_are_refused(table):
    table["vessel"]["overfill_switch_mm"] = 80.0

    with pytest.raises(StartupError, match="the float acts before the spout runs"):
        bench_from(table, where="reef.toml")


def test_a_bench_without_run_permits_is_refused(table):
    """A hung computer must not be able to leave a pump on."""
    del table["pumps"]["waste"]["permit"]

    with pytest.raises(StartupError, match=r"pumps\.waste\.permit: is missing"):
        bench_from(table, where="reef.toml")


def test_too_little_to_cover_the_cell_is_refused_since_no_drain_could_be_proved(table):
    table["sample"]["keep_wet_ml"] = 12.0

    with pytest.raises(StartupError, match="no drain could be proved"):
        bench_from(table, where="reef.toml")


@pytest.mark.parametrize("content", [b"name = ", b"\xff\xfe", b"[vessel]\nspout_mm = 1\nspout_mm = 2"])
def test_a_file_that_is_not_toml_is_named(tmp_path, content):
    path = tmp_path / "reef.toml"
    path.write_bytes(content)

    with pytest.raises(ConfigError, match=r"reef\.toml: is not TOML"):
        load_bench(path)


def test_a_file_that_is_not_there_is_named(tmp_path):
    with pytest.raises(ConfigError, match=r"reef\.toml: cannot be read"):
        load_bench(tmp_path / "reef.toml")
