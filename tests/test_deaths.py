"""A service that dies is told of, and begins again the later the more often it died; a stop in order forgets."""

import re
import signal
import subprocess
import sys
import threading
import time
from contextlib import closing
from http.server import BaseHTTPRequestHandler, HTTPServer
from itertools import pairwise

import pytest

from saltern.cli.daemon import wait_after_deaths
from saltern.cli.report_death import sentence
from saltern.clock import VirtualClock
from saltern.running import deaths
from saltern.running.deaths import Deaths
from tests.units import Computer, wait

FAR_OFF = {"schedule": {"at": ["23:59:00"], "time_zone": "UTC"}}


class Telephone:
    """An address that takes alerts, or lets whoever sends one wait."""

    def __init__(self):
        self.heard, self.refuses = [], False
        here = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self):
                here.heard.append(self.rfile.read(int(self.headers["Content-Length"])).decode())
                self.send_response(500 if here.refuses else 200)
                self.end_headers()

            def log_message(self, *_):
                pass

        self.server = HTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"json://127.0.0.1:{self.server.server_port}/"
        self.thread = threading.Thread(target=self.server.serve_forever)
        self.thread.start()

    def close(self):
        self.server.shutdown()
        self.thread.join()
        self.server.server_close()


@pytest.fixture
def telephone():
    with closing(Telephone()) as made:
        yield made


@pytest.fixture
def computer():
    made = Computer()
    yield made
    made.off()


@pytest.fixture
def unit(computer, telephone):
    """The unit of a bench whose keeper has a telephone; not started."""
    urls = computer.root / "etc/saltern/urls"
    urls.write_text(telephone.url)
    urls.chmod(0o600)
    computer.install("bench", 0, {**FAR_OFF, "alerts": {"urls_file": "urls"}})
    return computer.unit("bench")


def dies(unit, result="signal", code="killed", status="KILL", *, low=True):
    """Let a unit's service have died, without one: what systemd then runs."""
    unit.runtime.mkdir(exist_ok=True)
    if low:
        (unit.runtime / deaths.LOW).touch()
    told = {"SERVICE_RESULT": result, "EXIT_CODE": code, "EXIT_STATUS": status}
    return unit.computer.saltern("report-death", "--instance", unit.instance, **{**unit.environment, **told})


def test_a_death_is_told_and_the_next_life_says_that_it_runs_again(unit, telephone):
    def heard():
        return [told for told in telephone.heard if "has died" in told]

    unit.start()
    low, report = unit.end(signal.SIGKILL)

    assert low.returncode == 0
    assert report.returncode == 0, report.stderr
    assert "The service of bench has died: it was ended by the signal KILL. Its outputs are low." in heard()[0]
    assert "bench-room: look today" in heard()[0]
    unit.start()
    wait(lambda: len(heard()) == 2)
    assert "the service runs again" in heard()[1]
    assert "for information" in heard()[1]
    unit.end()
    unit.start()
    unit.end()
    assert len(heard()) == 2


def test_a_stop_in_order_is_no_death_and_forgets_those_before(unit, telephone):
    for _ in range(3):
        dies(unit)
    told = len(telephone.heard)
    assert deaths.deaths(unit.runtime).count == 3
    dies(unit, "success", "exited", "0")

    assert deaths.deaths(unit.runtime).count == 0
    assert len(telephone.heard) == told


def test_outputs_that_may_be_driven_are_told_of_at_once_even_after_a_stop(unit, telephone):
    dies(unit, "success", "exited", "0", low=False)

    (heard,) = telephone.heard
    assert "act now" in heard
    assert "take the bench off its supply" in heard


def test_outputs_that_stay_driven_are_told_of_once_beside_the_deaths_that_are_told_anyhow(unit, telephone):
    for low in (True, False, False, False, False):
        dies(unit, low=low)
    assert len(telephone.heard) == 3  # the 1st, the 2nd, the 4th
    dies(unit, low=True)
    dies(unit, low=False)
    assert len(telephone.heard) == 4


def test_a_bench_that_was_never_opened_has_no_outputs_to_be_afraid_of(unit, telephone):
    unit.bench.write_text(unit.bench.read_text().replace("schema_version = 1", "schema_version = 9"))
    unit.begin()
    unit.process.wait()
    low, _ = unit.after()

    assert low.returncode == 0
    assert "never opened" in low.stdout
    (heard,) = telephone.heard
    assert "Its outputs are low" in heard
    by_hand = unit.computer.saltern("safe-off", "--instance", "bench")
    assert by_hand.returncode == 1


def test_a_bench_that_keeps_dying_is_told_of_ever_less_often(unit, telephone):
    for _ in range(9):
        dies(unit, "exit-code", "exited", "2")

    assert len(telephone.heard) == 4  # the 1st, 2nd, 4th and 8th
    assert "act now" in telephone.heard[2]
    assert "has died 8 times" in telephone.heard[3]


def test_an_address_that_takes_nothing_leaves_it_to_the_next_life(unit, telephone):
    telephone.refuses = True
    done = dies(unit)

    assert done.returncode == 0
    assert "could not be alerted" in done.stderr
    known = deaths.deaths(unit.runtime)
    assert (known.count, known.reported) == (1, False)


def test_a_report_that_hangs_ends_by_itself():
    hangs = "import time; from saltern.cli.report_death import within; within(0.2, lambda: time.sleep(600))"
    done = subprocess.run([sys.executable, "-c", hangs], capture_output=True, text=True, check=False, timeout=60)

    assert done.returncode == 0
    assert "could not be alerted within 0 s" in done.stderr


@pytest.mark.parametrize("text", ["alerts = 3\n", "not TOML at all", '[alerts]\nurls_file = "nowhere"\n'])
def test_a_bench_file_that_is_broken_keeps_no_death_from_being_counted(unit, text):
    unit.bench.write_text(text)
    done = dies(unit, "exit-code", "exited", "2")

    assert done.returncode == 0
    assert "could not be alerted" in done.stderr
    assert "Traceback" not in done.stderr
    assert deaths.deaths(unit.runtime).count == 1


def test_a_bench_file_with_a_mistake_elsewhere_still_says_whom_to_tell(unit, telephone):
    unit.bench.write_text(unit.bench.read_text().replace("schema_version = 1", "schema_version = 9"))
    dies(unit, "exit-code", "exited", "2")

    assert len(telephone.heard) == 1


def test_the_addresses_of_the_last_life_count_and_are_for_its_user_alone(unit, telephone):
    """systemd hands a credential to the service, and not to what it runs after the service's end."""
    unit.start()
    kept = unit.runtime / "whom-to-alert.json"
    assert kept.stat().st_mode & 0o077 == 0
    (unit.bench.parent / "urls").unlink()
    unit.bench.write_text("broken since")
    unit.end(signal.SIGKILL)

    assert [told for told in telephone.heard if "has died" in told]


def test_what_happened_is_said_in_words():
    said = {
        result: sentence(
            "reef", {"SERVICE_RESULT": result, "EXIT_CODE": code, "EXIT_STATUS": status}, 3, 30.0, low=True
        )
        for result, code, status in (
            ("watchdog", "killed", "KILL"),
            ("core-dump", "dumped", "SEGV"),
            ("exit-code", "exited", "2"),
            ("oom-kill", "killed", "KILL"),
        )
    }
    assert "its control loop hung" in said["watchdog"]
    assert "by the signal SEGV" in said["core-dump"]
    assert "with exit code 2" in said["exit-code"]
    assert "no memory left" in said["oom-kill"]
    for text in said.values():
        assert "died 3 times" in text
        assert "after 30 s" in text
        assert "journalctl -u saltern@reef" in text


def test_by_hand_it_says_what_it_is_for(computer):
    done = computer.saltern("report-death", "--instance", "bench")
    assert done.returncode == 2
    assert "saltern alert test" in done.stderr


def test_the_pause_grows_from_the_second_death_on_and_is_never_longer_than_a_quarter_of_an_hour():
    assert [Deaths(count).pause_s for count in range(5)] == [0.0, 0.0, 15.0, 30.0, 60.0]
    assert Deaths(8).pause_s == Deaths(500).pause_s == 900.0


def test_a_death_after_a_long_life_is_the_first_again(tmp_path):
    for _ in range(5):
        deaths.keep(tmp_path, deaths.died(tmp_path))
    assert deaths.deaths(tmp_path).count == 5
    (tmp_path / deaths.OPENED).write_text(repr(time.monotonic() - deaths.HEALTHY_S - 1.0))
    deaths.keep(tmp_path, deaths.died(tmp_path))
    assert deaths.deaths(tmp_path).count == 1
    deaths.keep(tmp_path, deaths.died(tmp_path))  # that life is over, and counts for no other
    assert deaths.deaths(tmp_path).count == 2


def test_what_is_no_count_is_none(tmp_path):
    for text in ("", "{", "[]", '{"count": 3, "more": 1}'):
        (tmp_path / deaths.FILE).write_text(text)
        assert deaths.deaths(tmp_path) == Deaths()
    assert deaths.deaths(tmp_path / "nowhere") == Deaths()
    deaths.keep(tmp_path / "nowhere", Deaths(1))


class Heard:
    """A supervisor that keeps what it is told, and when."""

    def __init__(self, clock):
        self.clock, self.said = clock, []

    def ready(self):
        self.said.append((self.clock.monotonic(), "ready"))

    def status(self, text):
        self.said.append((self.clock.monotonic(), text))

    def alive(self):
        self.said.append((self.clock.monotonic(), "alive"))


def test_it_is_ready_at_once_and_feeds_the_watchdog_while_it_waits():
    clock = VirtualClock()
    supervisor = Heard(clock)
    wait_after_deaths(Deaths(9), supervisor, clock)

    assert supervisor.said[0] == (0.0, "ready")
    assert supervisor.said[1] == (0.0, "It has died 9 times, and opens the bench after 900 s; at once if restarted")
    fed = [at for at, what in supervisor.said if what == "alive"]
    assert max(later - earlier for earlier, later in pairwise(fed)) <= 1.0
    assert clock.monotonic() == pytest.approx(900.0)


def test_after_one_death_it_opens_at_once():
    clock = VirtualClock()
    supervisor = Heard(clock)
    wait_after_deaths(Deaths(1), supervisor, clock)
    assert supervisor.said == []
    assert clock.monotonic() == 0.0


def test_a_service_that_waits_holds_nothing_open_and_is_stopped_at_once(computer, unit):
    for _ in range(4):
        dies(unit)
    unit.start()
    assert any("It has died 4 times, and opens the bench after 60 s" in said for said in unit.listen())
    assert not (unit.state / "saltern.sqlite").exists()
    assert computer.levels() == {}
    unit.process.send_signal(signal.SIGHUP)  # systemctl reload ends no service that waits
    time.sleep(0.3)
    assert unit.process.poll() is None
    unit.end()
    assert deaths.deaths(unit.runtime).count == 0


def test_what_keeps_the_devices_from_opening_is_told_by_the_outlets_that_were_opened_before(unit, telephone):
    text = unit.bench.read_text()
    unit.start()
    unit.end()
    told = len(telephone.heard)
    unit.bench.write_text(re.sub(r'(\[probes\.ph\.board\]\ndriver = )"[^"]+"', r'\1"no-such-driver"', text, count=1))
    assert "no-such-driver" in unit.bench.read_text()
    for _ in range(2):
        unit.begin()
        unit.process.wait()

    heard = [said for said in telephone.heard[told:] if "no-such-driver" in said]
    assert len(heard) == 1
    assert "act now" in heard[0]
