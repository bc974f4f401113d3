"""The unit is well formed, shut in, and installed where it belongs."""

import configparser
import re
import shutil
from pathlib import Path

import pytest

from tests import processes

ROOT = Path(__file__).parents[1]
UNIT = ROOT / "systemd" / "saltern.service"
ANALYZE = shutil.which("systemd-analyze")
needs_systemd = pytest.mark.skipif(ANALYZE is None, reason="systemd-analyze is not installed")


def run(*words):
    return processes.run(*words, cwd=ROOT)


class Unit(configparser.RawConfigParser):
    """A unit file: keys may come again, and keep their case."""

    def __init__(self):
        super().__init__(strict=False, delimiters="=", comment_prefixes="#", allow_no_value=True)
        self.optionxform = str


def unit():
    parser = Unit()
    parser.read(UNIT)
    return parser["Service"]


@needs_systemd
def test_the_unit_verifies(tmp_path):
    """Its program is not installed here, so that a copy names one that is."""
    text = UNIT.read_text().replace("/opt/saltern/bin/saltern", "/bin/true")
    copy = tmp_path / "saltern.service"
    copy.write_text(text)
    done = run(ANALYZE, "verify", "--man=no", copy)

    complaints = [line for line in done.stderr.splitlines() if "saltern.service" in line]
    assert complaints == []


@needs_systemd
def test_it_is_shut_in():
    done = run(ANALYZE, "security", "--offline=true", "--no-pager", UNIT)
    (score,) = re.findall(r"Overall exposure level for saltern.service: ([0-9.]+)", done.stdout)
    assert float(score) <= 2.5


def test_a_hung_or_dead_service_is_ended_and_its_outputs_taken_low():
    service = unit()
    assert service["Type"] == "notify"
    assert 0 < int(service["WatchdogSec"]) <= 60
    assert service["WatchdogSignal"] == "SIGKILL"
    assert service["ExecStopPost"].endswith("saltern safe-off")
    assert service["Restart"] == "on-failure"


def test_install_puts_files_where_systemd_looks_and_uninstall_keeps_what_is_the_keepers(tmp_path):
    kept = [tmp_path / "etc/saltern/bench.toml", tmp_path / "var/lib/saltern/saltern.sqlite"]
    for file in kept:
        file.parent.mkdir(parents=True)
        file.write_text("the keeper's own")
    assert run("make", "-s", f"DESTDIR={tmp_path}", "install-files").returncode == 0
    installed = {str(path.relative_to(tmp_path)) for path in tmp_path.rglob("*") if path.is_file()}

    assert installed >= {
        "etc/systemd/system/saltern.service",
        "usr/lib/sysusers.d/saltern.conf",
        "usr/lib/tmpfiles.d/saltern.conf",
        "etc/udev/rules.d/60-saltern.rules",
    }
    assert run("make", "-s", f"DESTDIR={tmp_path}", "uninstall").returncode == 0
    left = {path for path in tmp_path.rglob("*") if path.is_file()}
    assert left == set(kept)


@pytest.mark.skipif(shutil.which("systemd-sysusers") is None, reason="systemd-sysusers is not installed")
def test_the_user_can_be_made(tmp_path):
    (tmp_path / "etc").mkdir()
    done = run("systemd-sysusers", "--dry-run", f"--root={tmp_path}", ROOT / "systemd" / "saltern.sysusers")
    assert done.returncode == 0, done.stderr


def test_an_adapter_that_is_plugged_in_after_the_start_is_of_a_group_that_the_unit_allows():
    """systemd matches char-* against /proc/devices at the unit's start (systemd.resource-control(5), DeviceAllow=)."""
    text = UNIT.read_text()
    for group, module in (("ttyUSB", "usbserial"), ("ttyACM", "cdc_acm"), ("i2c", "i2c_dev")):
        assert f"DeviceAllow=char-{group} rw" in text
        for word in ("Wants", "After"):
            assert any(
                line.startswith(f"{word}=") and f"modprobe@{module}.service" in line for line in text.splitlines()
            )
