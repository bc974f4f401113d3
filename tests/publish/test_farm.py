"""Many benches as `config/many` sets them up, judged by the broker's and the metrics server's own programs."""

import json
import shutil
import subprocess
import urllib.request
from pathlib import Path

import pytest
import yaml

from saltern.bench.interlocks import as_table
from tests.cli.command import run
from tests.processes import processor_time_s
from tests.publish.farm import MANY, TOOLS, Client, Farm, faster, rules_at

ABSENT = [tool for tool in TOOLS if shutil.which(tool) is None]
pytestmark = pytest.mark.skipif(bool(ABSENT), reason=f"{', '.join(ABSENT)} not installed")

PACE = 120  # a bench writes its metrics twice a second at most: at this pace each minute, as it does in real time
TWO_HOURS_S = 7200.0
HEARTBEAT, NEWEST, NEXT = (
    "saltern_control_loop_timestamp_seconds",
    "saltern_determination_timestamp_seconds",
    "saltern_next_start_timestamp_seconds",
)
MINUTES_A_DAY = 1440
HOURLY = {"schedule.at": None, "schedule.per_day": 24, "schedule.stagger_min": 60, "schedule.conditions": []}
PLENTY = {"titrant.bottle_ml": 5000.0, "waste.container_ml": 200_000.0, "limits.titrant_per_day_ml": 2000.0}
BENCH = {**HOURLY, **PLENTY}
KILLED, TRIPPED, THIRSTY, WAITING, WELL, ALSO_WELL = FARM = [f"nursery-{k:02d}" for k in range(1, 7)]
DIFFERS = {THIRSTY: {"titrant.bottle_ml": 200.0}, WAITING: {"schedule.conditions": ["lights-on"]}}


@pytest.fixture
def farm(tmp_path):
    made = Farm(tmp_path, {name: {**BENCH, **DIFFERS.get(name, {})} for name in FARM}, PACE, by_text_file=[KILLED])
    yield made
    assert set(made.stop().values()) <= {0}


@pytest.mark.slow
def test_rules_fire_for_the_bench_that_is_meant_and_no_result_is_lost(farm):
    """One of six benches is killed, one trips, one is short of titrant, one waits; the broker is cut twice."""
    farm.presses_stop(TRIPPED, TWO_HOURS_S / 2)
    farm.start(*FARM)
    measuring = {KILLED, THIRSTY, WELL, ALSO_WELL}
    began = farm.until(lambda: farm.server.values(HEARTBEAT).get(WELL))
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
    farm.until(lambda: farm.server.values(HEARTBEAT)[WELL] > began + TWO_HOURS_S)
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
        farm.until(lambda listed=listed: listed <= farm.reader.results())  # the newest may still be on its way
        assert (not listed) == (name == WAITING)
    ended = farm.server.values(HEARTBEAT)[WELL]
    used = {name: processor_time_s(service.process) for name, service in farm.services.items()}
    print(f"{(ended - began) / 3600:.1f} h; processor time, s: {used}, server {processor_time_s(farm.server.process)}")


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


# In soak: figures of many -----------------------------------------------------------------


@pytest.mark.soak
@pytest.mark.parametrize(("benches", "hours"), [(10, 6.0), (50, 24.0)])
def test_a_farm_for_a_day_loses_nothing_and_says_what_it_costs(tmp_path, benches, hours):
    """By the schedule of the template. One bench is killed, one trips, and the broker is cut twice."""
    names = [f"nursery-{k:02d}" for k in range(1, benches + 1)]
    killed, tripped = names[:2]
    pace = min(PACE, round(1800 / benches))  # so that two cores are enough
    changes = {name: {"schedule.conditions": []} for name in names}
    farm = Farm(tmp_path, changes, pace, by_text_file=[killed], processor_s=4 * 3600)
    gauge = Client(farm.broker, "gauge", "$SYS/broker/load/#", "$SYS/broker/bytes/#", "$SYS/broker/messages/#")
    try:
        farm.presses_stop(tripped, hours / 2 * 3600.0)
        farm.start(*names)
        well = names[2]
        began = farm.until(lambda: farm.server.values(HEARTBEAT).get(well))

        def passed(share):
            return lambda: farm.server.values(HEARTBEAT)[well] >= began + share * hours * 3600.0

        farm.until(passed(0.3))
        received = {topic: int(said) for topic, said in gauge.heard() if topic.endswith("bytes/received")}
        span_days = (farm.server.values(HEARTBEAT)[well] - began) / 86_400.0
        traffic, used = farm.reader.traffic(), costs(farm, well)
        farm.until(lambda: farm.all_kept() <= farm.reader.results())
        farm.kill(killed)
        for share in (0.5, 0.7):
            farm.broker.stop()
            farm.until(passed(share))
            farm.broker.start()
            farm.until(lambda: farm.all_kept() <= farm.reader.results())
        expected = {("BenchOffline", killed), ("BenchTripped", tripped)}
        farm.until(lambda: farm.server.firing() == expected)
        farm.until(passed(1.0))
        farm.until(lambda: farm.server.firing() == expected)
        farm.until(lambda: farm.all_kept() <= farm.reader.results())
        assert {bench for bench, _ in farm.all_kept()} >= set(names[2:])
        with urllib.request.urlopen(f"http://{farm.targets[well][0]}/metrics") as answer:
            scrape = len(answer.read())
        whole = costs(farm, well)
    finally:
        gauge.close()
        codes = farm.stop()
    print(f"\n{benches} benches, {hours:g} h at pace {pace}; before the cuts {span_days:.3f} days")
    for kind, (messages, size) in sorted(traffic.items()):
        per = benches * span_days
        print(f"  {kind}: {messages / per:.0f} messages, {size / per / 1000:.1f} kB of payload a bench and day")
    print(f"  the broker received, a bench and day: {max(received.values()) / benches / span_days / 1000:.1f} kB")
    print(f"  one scrape: {scrape} bytes; results kept and heard: {len(farm.reader.results())}")
    for what, told in (("before the cuts", used), ("at the end", whole)):
        print(f"  {what}: " + "; ".join(f"{name} {cpu:.1f} s, {rss:.0f} MB" for name, (cpu, rss) in told.items()))
    assert set(codes.values()) == {0}


def costs(farm, bench):
    """Return processor time (s) and resident memory (MB) of broker, server and one bench."""
    processes = {
        "broker": farm.broker.process,
        "server": farm.server.process,
        "one bench": farm.services[bench].process,
    }
    found = {}
    for name, process in processes.items():
        status = Path(f"/proc/{process.pid}/status").read_text()
        found[name] = (processor_time_s(process), int(status.split("VmRSS:")[1].split()[0]) / 1024.0)
    return found


# The rules by themselves, at their own times --------------------------------------------


def test_the_servers_own_checker_has_nothing_to_say():
    for what, file in (("config", "prometheus.yml"), ("rules", "rules.yml")):
        done = subprocess.run(["promtool", "check", what, file], cwd=MANY, capture_output=True, text=True)
        assert done.returncode == 0, done.stdout + done.stderr
        assert "FAILED" not in done.stdout + done.stderr


def fires(folder, rule, at_min, **series):
    """Return whether a shipped rule fires for bench `a` at a minute, by the server's own judge of rules.

    `series` are values each minute, in the judge's notation, by name or by name and labels.
    """
    shipped = yaml.safe_load((MANY / "rules.yml").read_text())
    for group in shipped["groups"]:
        for one in group["rules"]:
            one.pop("annotations", None)
    (folder / "rules.yml").write_text(json.dumps(shipped))
    (severity,) = [one["labels"]["severity"] for one in shipped["groups"][0]["rules"] if one.get("alert") == rule]
    given = [{"series": name if "{" in name else f'{name}{{bench="a"}}', "values": v} for name, v in series.items()]
    sought = {"eval_time": f"{at_min}m", "alertname": rule}
    case = {"interval": "1m", "input_series": given, "alert_rule_test": [{**sought, "exp_alerts": []}]}
    said = {"rule_files": ["rules.yml"], "evaluation_interval": "1m", "tests": [case]}
    (folder / "case.yml").write_text(json.dumps(said))
    done = subprocess.run(["promtool", "test", "rules", "case.yml"], cwd=folder, capture_output=True, text=True)
    if done.returncode == 0:
        return False
    assert f'Labels:{{alertname="{rule}", bench="a", severity="{severity}"}}' in done.stdout + done.stderr
    return True


def test_a_bench_is_offline_ten_minutes_after_its_last_sign_though_its_computer_answers(tmp_path):
    died = {'up{job="saltern", bench="a"}': "1x60", HEARTBEAT: "0+60x20 1200x40"}

    assert not fires(tmp_path, "BenchOffline", 20, **died)
    assert not fires(tmp_path, "BenchOffline", 28, **died)
    assert fires(tmp_path, "BenchOffline", 31, **died)
    assert fires(tmp_path, "BenchOffline", 60, **died)


def test_a_bench_that_is_listed_and_was_never_heard_is_offline_and_one_that_is_heard_again_is_not(tmp_path):
    up = 'up{job="saltern", bench="a"}'

    assert fires(tmp_path, "BenchOffline", 6, **{up: "0x60"})
    assert not fires(tmp_path, "BenchOffline", 33, **{up: "0x29 1x30", HEARTBEAT: "_x29 1800+60x30"})


@pytest.mark.parametrize("clock_off_s", [0, 40_000_000, -500_000])
def test_a_start_that_came_without_a_result_is_overdue_after_an_hour_until_a_result_comes(tmp_path, clock_off_s):
    """A start at 05:00 each day; the bench's clock is right, a year ahead, or days behind the server's."""
    due, began = 300 * 60 + clock_off_s, 1000 * 60 + clock_off_s
    given = {
        HEARTBEAT: f"{clock_off_s}+60x{MINUTES_A_DAY}",
        NEXT: f"{due}x299 {due + 86_400}x{MINUTES_A_DAY - 300}",
        NEWEST: f"{due - 86_000}x1014 {began}x{MINUTES_A_DAY - 1015}",
    }

    assert not fires(tmp_path, "BenchOverdue", 359, **given)
    assert fires(tmp_path, "BenchOverdue", 367, **given)
    assert fires(tmp_path, "BenchOverdue", 1010, **given)
    assert not fires(tmp_path, "BenchOverdue", 1017, **given)


def test_a_bench_that_never_had_a_result_is_overdue_as_well(tmp_path):
    given = {HEARTBEAT: "0+60x600", NEXT: "18000x299 104400x300"}

    assert fires(tmp_path, "BenchOverdue", 367, **given)


def test_one_that_measures_by_interval_is_overdue_when_its_start_is_always_now(tmp_path):
    given = {HEARTBEAT: "0+60x600", NEXT: "14400x239 14400+60x360", NEWEST: "0x600"}

    assert not fires(tmp_path, "BenchOverdue", 299, **given)
    assert fires(tmp_path, "BenchOverdue", 308, **given)


def test_results_in_time_and_starts_that_are_put_off_are_not_overdue(tmp_path):
    in_time = {HEARTBEAT: "0+60x900", NEXT: "18000x299 39600x359 61200x200", NEWEST: "_x314 18030x359 39630x200"}
    put_off = {HEARTBEAT: "0+60x900", NEXT: "18000x200 80000x600", NEWEST: "0x900"}

    for minute in (301, 372, 500, 670, 740):
        assert not fires(tmp_path, "BenchOverdue", minute, **in_time)
        assert not fires(tmp_path, "BenchOverdue", minute, **put_off)


def test_a_result_is_stale_after_more_than_a_day(tmp_path):
    given = {HEARTBEAT: f"0+60x{2 * MINUTES_A_DAY}", NEWEST: f"0x{2 * MINUTES_A_DAY}"}

    assert not fires(tmp_path, "BenchStale", 26 * 60, **given)
    assert fires(tmp_path, "BenchStale", 26 * 60 + 6, **given)


@pytest.mark.parametrize(
    ("rule", "gauge"),
    [("BottleRunsOut", "saltern_titrant_lasts_seconds"), ("WasteNearlyFull", "saltern_waste_lasts_seconds")],
)
def test_less_than_three_days_are_told_and_more_are_not(tmp_path, rule, gauge):
    assert fires(tmp_path, rule, 20, **{gauge: f"{2.9 * 86_400}x60"})
    assert not fires(tmp_path, rule, 20, **{gauge: f"{3.1 * 86_400}x60"})


def test_the_rule_of_trips_names_each_interlock_that_latches():
    rules = yaml.safe_load((MANY / "rules.yml").read_text())["groups"][0]["rules"]
    (expression,) = [rule["expr"] for rule in rules if rule.get("alert") == "BenchTripped"]
    named = expression.split('=~"')[1].split('"')[0].split("|")

    assert sorted(named) == sorted(row["interlock"] for row in as_table() if row["kind"] == "trip")


def test_rules_for_a_faster_time_are_those_of_the_file():
    assert faster('changes(x{note="5m"}[5m]) > 0 offset 1h', 60) == 'changes(x{note="5m"}[5000ms]) > 0 offset 60000ms'
    of_the_file = yaml.safe_load((MANY / "rules.yml").read_text())
    assert len(rules_at(2)["groups"][0]["rules"]) == len(of_the_file["groups"][0]["rules"])
