"""Many benches as `config/many` sets them up, judged by the broker's and the metrics server's own programs."""

import json
import shutil
import subprocess
import urllib.request

import pytest

from tests.cli.command import run
from tests.processes import processor_time_s
from tests.publish.farm import MANY, TOOLS, Client, Farm

ABSENT = [tool for tool in TOOLS if shutil.which(tool) is None]
pytestmark = pytest.mark.skipif(bool(ABSENT), reason=f"{', '.join(ABSENT)} not installed")

PACE = 120  # a bench writes its metrics twice a second at most: at this pace each minute, as it does in real time
TWO_HOURS_S = 7200.0
HOURLY = {"schedule.at": None, "schedule.per_day": 24, "schedule.stagger_min": 60, "schedule.conditions": []}
PLENTY = {"titrant.bottle_ml": 5000.0, "waste.container_ml": 200_000.0, "limits.titrant_per_day_ml": 2000.0}
BENCH = {**HOURLY, **PLENTY}
KILLED, TRIPPED, THIRSTY, WAITING, WELL, ALSO_WELL = FARM = [f"nursery-{k:02d}" for k in range(1, 7)]
DIFFERS = {THIRSTY: {"titrant.bottle_ml": 200.0}, WAITING: {"schedule.conditions": ["lights-on"]}}


@pytest.fixture
def farm(tmp_path):
    made = Farm(tmp_path, {name: {**BENCH, **DIFFERS.get(name, {})} for name in FARM}, PACE, by_text_file=[KILLED])
    yield made
    made.stop()


@pytest.mark.slow
def test_rules_fire_for_the_bench_that_is_meant_and_no_result_is_lost(farm):
    """One of six benches is killed, one trips, one is short of titrant, one waits; the broker is cut twice."""
    farm.presses_stop(TRIPPED, TWO_HOURS_S / 2)
    farm.start(*FARM)
    measuring = {KILLED, THIRSTY, WELL, ALSO_WELL}
    began = farm.until(lambda: farm.server.values("saltern_control_loop_timestamp_seconds").get(WELL))
    farm.until(lambda: {bench for bench, _ in farm.reader.results()} >= measuring)

    def none_is_missing():
        return farm.all_kept() <= farm.reader.results()

    farm.until(none_is_missing)
    farm.kill(KILLED)
    for _ in range(2):
        farm.broker.stop()
        before = farm.all_kept()
        farm.until(lambda before=before: farm.all_kept() > before)
        assert not none_is_missing()
        farm.broker.start()
        farm.until(none_is_missing)

    expected = {
        ("BenchOffline", KILLED),
        ("BenchTripped", TRIPPED),
        ("BottleRunsOut", THIRSTY),
        ("BenchOverdue", WAITING),
    }
    farm.until(lambda: farm.server.firing() == expected)
    farm.until(lambda: farm.server.values("saltern_control_loop_timestamp_seconds")[WELL] > began + TWO_HOURS_S)
    farm.until(lambda: farm.server.firing() == expected)
    assert farm.server.said_of("BenchOffline", KILLED)["summary"].endswith("its service does not run")
    assert "stop" in farm.server.said_of("BenchTripped", TRIPPED)["summary"]
    starts = farm.server.values("saltern_next_start_timestamp_seconds % 3600")
    assert len({starts[name] for name in FARM}) == len(FARM)

    page = farm.server.get("/consoles/benches.html")
    for name in FARM:
        assert f'<tr id="{name}">' in page
    shown = page.split(f'<tr id="{TRIPPED}">')[1].split("<tr")[0]
    assert "BenchTripped (stop)" in shown
    assert "BenchOffline" not in shown

    forge(farm)
    with urllib.request.urlopen(f"http://{farm.targets[WELL][0]}/metrics") as answer:
        text = answer.read().decode()
    done = subprocess.run(["promtool", "check", "metrics"], input=text, capture_output=True, text=True)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")

    farm.start(KILLED)
    farm.until(lambda: farm.server.firing() == expected - {("BenchOffline", KILLED)})
    farm.until(none_is_missing)
    for name in FARM:
        code, said, complained = run("results", "--json", "--limit", "50", "--bench", farm.files[name])
        assert code == 0, complained
        listed = {(name, one["id"]) for one in json.loads(said)["determinations"]}
        assert listed <= farm.reader.results()
        assert (not listed) == (name == WAITING)
    used = {name: processor_time_s(service.process) for name, service in farm.services.items()}
    print(f"processor time, s: benches {used}, server {processor_time_s(farm.server.process)}")


def forge(farm):
    """Publish under another bench's name, and then under one's own: the reader hears the second alone."""
    forger = Client(farm.broker, "nursery-99", "saltern/#")
    try:
        for bench in (WELL, "nursery-99"):
            forger.client.publish(f"saltern/{bench}/alert", f"forged by {bench}", 1).wait_for_publish(60)
        farm.until(lambda: ("saltern/nursery-99/alert", b"forged by nursery-99") in farm.reader.heard())
        assert (f"saltern/{WELL}/alert", b"forged by nursery-99") not in farm.reader.heard()
        assert not any(b"forged" in said for topic, said in farm.reader.heard() if WELL in topic)
        assert forger.heard() == []
    finally:
        forger.close()


# The rules by themselves, at their own times --------------------------------------------


def test_the_servers_own_checker_has_nothing_to_say():
    for what, file in (("config", "prometheus.yml"), ("rules", "rules.yml")):
        done = subprocess.run(["promtool", "check", what, file], cwd=MANY, capture_output=True, text=True)
        assert done.returncode == 0, done.stdout + done.stderr
        assert "FAILED" not in done.stdout + done.stderr
