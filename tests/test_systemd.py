"""The units are well formed, shut in, and installed where they belong; and so is the program, in its prefix."""

import configparser
import json
import os
import re
import shutil
import sys
from pathlib import Path

import pytest

from tests import processes

ROOT = Path(__file__).parents[1]
TEMPLATE = ROOT / "systemd" / "saltern@.service"
ANALYZE = shutil.which("systemd-analyze")
needs_systemd = pytest.mark.skipif(ANALYZE is None, reason="systemd-analyze is not installed")


def run(*words, **environment):
    return processes.run(*words, cwd=ROOT, env={**os.environ, **environment})


class Unit(configparser.RawConfigParser):
    """A unit file: keys keep their case; of those that come again, all values are kept, a line each."""

    def __init__(self, path):
        super().__init__(strict=False, delimiters="=", comment_prefixes="#", allow_no_value=True)
        self.optionxform = str
        self.read(path)

    @staticmethod
    def every(path, key):
        return [line.partition("=")[2] for line in path.read_text().splitlines() if line.startswith(f"{key}=")]


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """What an install for /srv/titrator puts beside the program."""
    root = tmp_path_factory.mktemp("image")
    done = run("make", "-s", f"DESTDIR={root}", "PREFIX=/srv/titrator", "install-files")
    assert done.returncode == 0, done.stderr
    return root


@pytest.fixture(scope="module")
def units(files):
    return files / "etc/systemd/system"


@needs_systemd
def test_the_units_verify_and_two_instances_may_run_beside_each_other(units, tmp_path):
    """Their program is not installed here, so that copies name one that is."""
    names = ["saltern.service", "saltern@reef.service", "saltern@cellar.service"]
    (tmp_path / "saltern.service.d").mkdir()
    shutil.copy(units / "saltern.service.d/bench.conf", tmp_path / "saltern.service.d")
    for name in ("saltern.service", "saltern@.service"):
        (tmp_path / name).write_text((units / name).read_text().replace("/srv/titrator/bin/saltern", "/bin/true"))
    for name in names[1:]:
        (tmp_path / name).symlink_to("saltern@.service")
    done = run(ANALYZE, "verify", "--man=no", *(tmp_path / name for name in names))

    complaints = [line for line in done.stderr.splitlines() if "saltern" in line]
    assert complaints == []


@needs_systemd
def test_it_is_shut_in(units):
    done = run(ANALYZE, "security", "--offline=true", "--no-pager", units / "saltern.service")
    (score,) = re.findall(r"Overall exposure level for saltern.service: ([0-9.]+)", done.stdout)
    assert float(score) <= 2.5


def test_a_hung_or_dead_service_is_ended_its_outputs_taken_low_first_and_then_told_of():
    service = Unit(TEMPLATE)["Service"]
    assert service["Type"] == "notify"
    assert 0 < int(service["WatchdogSec"]) <= 60
    assert service["WatchdogSignal"] == "SIGKILL"
    low, report = Unit.every(TEMPLATE, "ExecStopPost")
    assert low == "-/opt/saltern/bin/saltern safe-off --instance %i"  # the -: a failure keeps no report from going
    assert report == "-/opt/saltern/bin/saltern report-death --instance %i"
    from saltern.cli.report_death import REPORTED_WITHIN_S

    assert int(service["TimeoutStopSec"]) >= REPORTED_WITHIN_S + 10


def test_a_service_that_fails_is_started_again_for_ever():
    """In systemd 252 a start limit leaves a service dead for good, and there are no longer and longer pauses."""
    unit = Unit(TEMPLATE)
    assert unit["Unit"]["StartLimitIntervalSec"] == "0"
    assert unit["Service"]["Restart"] == "on-failure"
    assert unit["Service"]["RestartSec"] == "10"
    assert "RestartSteps" not in unit["Service"]


def test_saltern_service_is_the_template_for_bench_and_every_unit_runs_the_program_of_its_prefix(units):
    template, plain = (units / name for name in ("saltern@.service", "saltern.service"))
    assert plain.read_text() == template.read_text().replace("%i", "bench")
    assert "/opt/saltern" not in template.read_text()
    (start,) = Unit.every(plain, "ExecStart")
    assert start == "/srv/titrator/bin/saltern daemon /etc/saltern/bench.toml"
    assert Unit(units / "saltern.service.d/bench.conf")["Unit"]["Conflicts"] == "saltern@bench.service"


def test_each_instance_has_folders_of_its_own_and_no_stop_takes_away_those_of_another():
    service = Unit(TEMPLATE)["Service"]
    assert service["StateDirectory"] == service["RuntimeDirectory"] == "saltern/%i"
    assert service["RuntimeDirectoryPreserve"] == "restart"
    assert service["Environment"].split() == ["LG_WD=/run/saltern/%i", "HOME=/var/lib/saltern/%i"]


def test_install_puts_files_where_systemd_looks_and_uninstall_keeps_what_is_the_keepers(tmp_path):
    kept = [
        tmp_path / "etc/saltern/bench.toml",
        tmp_path / "var/lib/saltern/saltern.sqlite",
        tmp_path / "etc/systemd/system/saltern.service.d/own.conf",
    ]
    for file in kept:
        file.parent.mkdir(parents=True)
        file.write_text("the keeper's own")
    assert run("make", "-s", f"DESTDIR={tmp_path}", "install-files").returncode == 0
    installed = {str(path.relative_to(tmp_path)) for path in tmp_path.rglob("*") if path.is_file()}

    assert installed >= {
        "etc/systemd/system/saltern.service",
        "etc/systemd/system/saltern@.service",
        "etc/systemd/system/saltern.service.d/bench.conf",
        "usr/lib/sysusers.d/saltern.conf",
        "usr/lib/tmpfiles.d/saltern.conf",
        "etc/udev/rules.d/60-saltern.rules",
        "usr/local/share/man/man1/saltern.1",
    }
    done = run("make", "-s", f"DESTDIR={tmp_path}", "uninstall")
    assert done.returncode == 0, done.stderr
    left = {path for path in tmp_path.rglob("*") if path.is_file()}
    assert left == set(kept)


def test_a_prefix_that_holds_something_else_is_neither_installed_into_nor_removed(tmp_path):
    other = tmp_path / "usr/share/other"
    other.parent.mkdir(parents=True)
    other.write_text("not Saltern's")
    refused = run("make", "-s", f"DESTDIR={tmp_path}", "PREFIX=/usr", "install")
    assert refused.returncode != 0
    assert "PREFIX is a folder of its own" in refused.stdout
    assert run("make", "-s", f"DESTDIR={tmp_path}", "PREFIX=/usr", "uninstall").returncode != 0
    assert other.read_text() == "not Saltern's"


def test_a_wheelhouse_without_wheels_is_refused(tmp_path):
    done = run("make", "-s", f"DESTDIR={tmp_path}", f"WHEELHOUSE={tmp_path}", "install")
    assert done.returncode != 0
    assert "make wheelhouse" in done.stdout
    assert list(tmp_path.iterdir()) == []


@pytest.mark.soak  # needs a package registry
def test_an_image_is_installed_under_destdir_and_runs_from_its_prefix(tmp_path):
    """A copy of the image at its prefix cannot be had here; what its scripts name is read instead."""
    extras = "EXTRAS=i2c,modbus,mqtt,metrics,alerts"
    words = ("make", "-s", f"DESTDIR={tmp_path}", "PREFIX=/srv/titrator", f"PYTHON={sys.executable}", extras)
    for _ in range(2):  # the second is an upgrade
        done = run(*words, "install")
        assert done.returncode == 0, done.stderr
    program = tmp_path / "srv/titrator/bin/saltern"
    assert os.readlink(tmp_path / "usr/local/bin/saltern") == "/srv/titrator/bin/saltern"
    assert program.read_text().startswith("#!/srv/titrator/bin/python")
    assert str(tmp_path) not in program.read_text()
    checked = run(tmp_path / "srv/titrator/bin/python", "-m", "saltern.cli.main", "check")
    assert checked.returncode == 0
    assert "well formed" in checked.stdout
    assert run(*words, "uninstall").returncode == 0
    assert [path for path in tmp_path.rglob("*") if not path.is_dir()] == []


PI = [f"manylinux_{glibc}_aarch64" for glibc in ("2_17", "2_24", "2_28", "2_31", "2_34")] + ["manylinux2014_aarch64"]


@pytest.mark.soak  # needs a package registry
@pytest.mark.parametrize(("python", "extras"), [("3.11", "gpio,"), ("3.13", "")])
def test_a_pi_is_installed_from_wheels_alone(tmp_path, python, extras):
    """64-bit Raspberry Pi OS: Debian 12 with Python 3.11, Debian 13 with 3.13, where lgpio is a system package."""
    report = tmp_path / "report.json"
    platforms = [word for platform in PI for word in ("--platform", platform)]
    done = run(
        sys.executable, "-m", "pip", "install", "--dry-run", "--quiet", "--ignore-installed", "--target", tmp_path,
        "--only-binary=:all:", "--implementation", "cp", "--python-version", python, *platforms,
        "-c", "constraints.txt", "--report", report, f".[{extras}i2c,modbus,mqtt,metrics,alerts,report,parquet]",
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    found = {
        one["metadata"]["name"].lower(): one["download_info"]["url"]
        for one in json.loads(report.read_text())["install"]
    }
    wheels = {name: url for name, url in found.items() if name != "saltern"}
    assert all(url.endswith(".whl") for url in wheels.values())
    assert "aarch64" in wheels["numpy"]
    assert "aarch64" in wheels["gsw"]
    assert ("lgpio" in wheels) is bool(extras)


@pytest.mark.skipif(shutil.which("systemd-sysusers") is None, reason="systemd-sysusers is not installed")
def test_the_user_can_be_made(tmp_path):
    (tmp_path / "etc").mkdir()
    done = run("systemd-sysusers", "--dry-run", f"--root={tmp_path}", ROOT / "systemd" / "saltern.sysusers")
    assert done.returncode == 0, done.stderr


def test_an_adapter_that_is_plugged_in_after_the_start_is_of_a_group_that_the_unit_allows():
    """systemd matches char-* against /proc/devices at the unit's start (systemd.resource-control(5), DeviceAllow=)."""
    text = TEMPLATE.read_text()
    for group, module in (("ttyUSB", "usbserial"), ("ttyACM", "cdc_acm"), ("i2c", "i2c_dev")):
        assert f"DeviceAllow=char-{group} rw" in text
        for word in ("Wants", "After"):
            assert any(
                line.startswith(f"{word}=") and f"modprobe@{module}.service" in line for line in text.splitlines()
            )
