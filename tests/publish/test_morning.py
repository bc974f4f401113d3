"""The morning message: what a keeper reads at breakfast, as a telephone's service receives it."""

import base64
from datetime import timedelta
from zoneinfo import ZoneInfo

import pytest

from saltern.clock import VirtualClock
from saltern.config.loading import load_bench
from saltern.model.alert import Alert, Severity
from saltern.publish import notify
from saltern.publish.outlet import Surroundings
from saltern.publish.tank_now import tank_now
from saltern.records.opening import open_store
from saltern.report import morning as morning_module
from saltern.report.morning import due, morning
from saltern.report.standing import Reason, Standing
from tests.nine_days import NOW, alert, nine_days, shown
from tests.processes import until
from tests.publish.test_notify_and_metrics import listener, quick

__all__ = ["listener", "quick"]

LISBON = ZoneInfo("Europe/Lisbon")


@pytest.fixture
def bench(tmp_path):
    return nine_days(tmp_path)


@pytest.fixture(scope="module")
def status(tmp_path_factory):
    return shown(nine_days(tmp_path_factory.mktemp("bench")))


@pytest.fixture
def open_outlet(bench, listener):
    """The outlet as a bench file asks for it, at breakfast of the tenth day; the keeper's address is our listener."""
    port, *_ = listener
    urls = bench.parent / "urls"
    urls.write_text(f"json://127.0.0.1:{port}/\n")
    urls.chmod(0o600)
    bench.write_text(bench.read_text() + '\n[alerts]\nurls_file = "urls"\n')
    config, clock = load_bench(bench), VirtualClock(start=NOW)
    store = open_store(bench.parent / config.records.path, clock)
    around = Surroundings(lambda: config, bench.parent, store, clock, lambda: True)
    out = notify.KIND.open(config.alerts, around)
    yield out, store
    out.close()
    store.close()


def beat(at=NOW):
    return Alert(at, 0.0, Severity.INFORMATIONAL, "heartbeat", "alive. Nothing is wrong")


@pytest.mark.usefixtures("quick")
def test_the_sign_of_life_carries_the_number_and_a_chart(status, open_outlet, listener):
    (out, store), (_, heard, _) = open_outlet, listener
    out.update(status)
    store.keep_alert(beat())
    until(lambda: heard)
    said = heard[0]
    newest = tank_now(store).newest

    assert said["title"] == f"kelp-room: {newest['alkalinity']['dkh']:.2f} dKH, all well"
    lines = said["message"].splitlines()
    assert lines[0].startswith(f"{newest['alkalinity']['dkh']:.2f} ± 0.0")
    assert "since yesterday" in lines[1]
    assert lines[2].startswith("consumption: 0.")
    assert lines[3].startswith("advice: soda ")
    assert "due: an empty waste container: what is there lasts for 6 days" in lines
    (chart,) = said["attachments"]
    assert base64.b64decode(chart["base64"]).startswith(b"\x89PNG")


@pytest.mark.usefixtures("quick")
@pytest.mark.parametrize("why", ["no status yet", "two days late", "a fault of ours"])
def test_the_sign_of_life_comes_in_any_case(status, open_outlet, listener, monkeypatch, why):
    (out, store), (_, heard, _) = open_outlet, listener
    if why != "no status yet":
        out.update(status if why == "two days late" else {"no": "status"})
    store.keep_alert(beat(NOW - timedelta(days=2) if why == "two days late" else NOW))
    until(lambda: heard)

    assert heard[0]["message"] == "alive. Nothing is wrong"
    assert heard[0]["attachments"] == []


@pytest.mark.usefixtures("quick")
def test_an_alert_is_sent_in_its_own_words_without_a_chart(status, open_outlet, listener):
    (out, store), (_, heard, _) = open_outlet, listener
    out.update(status)
    store.keep_alert(alert(4, "titrant-low", "titrant for about 2 days"))
    until(lambda: heard)

    assert (heard[0]["message"], heard[0]["attachments"]) == ("titrant for about 2 days", [])


def test_what_is_wrong_comes_with_what_to_do_and_what_is_due_with_its_day(bench):
    status = shown(bench, alerts=[alert(5, "proof-due", "the proof test is due")])
    soon, later = NOW + timedelta(days=3), NOW + timedelta(days=30)
    parts = [
        {"name": name, "due_utc": at.isoformat(), "overdue": at < NOW}
        for name, at in (("tube", soon), ("probe", later), ("float", NOW - timedelta(days=1)))
    ]
    status |= {"parts": [*parts, {"name": "unknown", "due_utc": None, "overdue": None}]}
    wrong = [Reason(Standing.LOOK, "the bench is parked", "Run `saltern resume`")]
    message = morning(status, None, wrong, NOW, LISBON)

    assert due(status, NOW, LISBON)[0] == "tube, Sat 14 Mar"
    assert "due: the proof test is due" in message.body
    assert "probe" not in message.body
    assert "look today: the bench is parked. Run `saltern resume`." in message.body
    assert message.title == "kelp-room: look today"
    assert "No result has been accepted yet." in message.body
    assert timedelta(days=7) == morning_module.DUE_WITHIN
