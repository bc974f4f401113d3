"""What a keeper sees fits the screen, speaks the bench's time, and never shows a reference as the tank's last."""

import json
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from saltern.chemistry.alkalinity_unit import AlkalinityUnit
from saltern.cli.calibrations import calibration_lines
from saltern.cli.present import print_simulation, result_lines
from saltern.cli.present_lines import labelled, wrapped
from saltern.cli.present_live import print_away, status_lines
from saltern.cli.present_time import by_the_clock, moment, relative, short
from saltern.model.determination import Source
from saltern.model.verdict import Reason, Verdict
from saltern.records.opening import open_for_reading
from saltern.rpc import protocol
from saltern.running.remote import Remote
from tests.cli.command import run
from tests.keeper import keeper

BERLIN = ZoneInfo("Europe/Berlin")
DKH = AlkalinityUnit.DKH
TANK = {
    "salinity": 35.0,
    "consumption": {
        "too_early": False,
        "level_dkh": {"value": 7.2, "u": 0.02},
        "windows": [{"days": 3.0, "consumption_dkh_per_day": {"value": 0.71, "u": 0.02}}],
    },
    "forecast": {"leaves_at_utc": "2026-03-05T00:00:00Z", "downwards": True, "probability": 0.7, "limit_dkh": 7.0},
    "advice": {
        "withheld_because": None,
        "days": 3,
        "supplements": [
            {"name": f"a supplement with a long name, number {n}", "ml_per_day": 61.0, "hold_ml_per_day": 92.0}
            for n in (1, 2)
        ],
    },
}
NOW = datetime(2026, 3, 2, 14, 8, tzinfo=UTC)  # 15:08 in Berlin
WIDTHS = (80, 60)


@pytest.fixture(scope="module")
def seen(tmp_path_factory):
    """A bench that has measured its tank, then a reference, and has a wet tray: its status, results and records."""
    records = tmp_path_factory.mktemp("bench") / "saltern.sqlite"
    hands = keeper(seed=3, records=str(records))
    reader = open_for_reading(records, hands.stage.clock)
    hands.service.measure(Source.TANK)
    hands.service.measure(Source.REFERENCE)
    hands.world.leak_wet = True
    hands.stage.play.wires.pins.refresh_inputs()
    hands.service.round()
    hands.service.operator(["hold", "2"])
    remote = Remote(hands.service, reader, list)
    status = json.loads(json.dumps(remote.status_now()))
    results = remote.handlers()["results"](protocol.METHODS["results"]())["determinations"]
    reader.close()
    hands.stage.close()
    return status, json.loads(json.dumps(results)), records


def with_everything(status):
    """Return a status in which all that it may show is to be shown, at its longest."""
    at = status["at_utc"]
    return {
        **status,
        "trend": {"umol_per_kg_per_day": -12.0, "u": 3.0, "results": 40, "days": 7},
        "away": {"until_utc": at, "gap_h": 7.5},
        "copied": {"to": "/mnt/a-disk-with-a-long-name-that-is-not-the-card/saltern", "at_utc": at},
        "conditions": {"skimmer-emptied-and-lights-on": False},
        "devices": [
            {
                "place": "probes.ph.board",
                "where": "/dev/serial/by-id/usb-a-converter-with-a-long-name-if00-port0",
                "up": False,
                "returns": 2,
                "trouble": "it does not answer since the cable was moved",
                "remedy": "look",
            }
        ],
        "parts": [
            {"name": "ph_probe", "installed_utc": None, "due_utc": None, "overdue": None},
            {"name": "sample_pump_tube", "installed_utc": at, "due_utc": at, "overdue": True},
        ],
        "bypasses": [{"name": "temperature-fault", "left_h": 3.5}],
        "commissioned": None,
        "parked": at,
        "question": {"text": "Put the inlet of the sample line into the reference water, and say how much is in it"},
        "tank": TANK,
        "calibrations": [{"kind": "titre", "id": 12, "at_utc": at, "words": "factor 1.0123 ± 0.0021 " * 5}],
    }


def beyond(lines, width):
    return [line for line in lines if len(line) > width]


@pytest.mark.parametrize("width", WIDTHS)
def test_a_status_with_everything_fits(seen, width):
    status, results, _ = seen
    lines = [line for line, _ in status_lines(with_everything(status), results[0], width)]
    assert len(lines) > 20
    assert beyond(lines, width) == []


def test_a_reference_is_never_the_last_and_what_is_wrong_is_said_once(seen):
    status, results, _ = seen
    assert status["last"]["source"] == "reference"
    tank = next(d for d in results if d["source"] == "tank")
    lines = [line for line, _ in status_lines(status, tank, 80)]
    (last,) = [line for line in lines if line.startswith("last")]
    assert f"{tank['alkalinity']['dkh']:.2f}" in last
    assert any(line.startswith("reference") for line in lines)
    said = " ".join(" ".join(lines).split())
    assert said.count("dry the tray, then run `saltern reset`") == 1
    assert "Nothing acts" not in said
    assert "nothing measured yet" in " ".join(line for line, _ in status_lines({**status, "last": None}, None, 80))


def test_a_status_says_what_the_tank_consumes_where_it_goes_and_what_to_dose(seen):
    status, results, _ = seen
    assert status["tank"] is None  # this bench file speaks of no tank
    assert not any(line.startswith(("consumes", "dose")) for line, _ in status_lines(status, results[0], 80))
    said = " ".join(" ".join(line for line, _ in status_lines({**status, "tank": TANK}, results[0], 80)).split())
    assert "consumes 0.71 ± 0.04 dKH a day, over 3 days" in said
    assert "ahead below 7.00 dKH, out of its band, on" in said
    assert "61 mL a day for 3 days, then 92 mL" in said


def test_a_status_speaks_the_time_of_its_bench_and_no_iso(seen):
    status, results, _ = seen
    elsewhere = {**status, "time_zone": "Pacific/Auckland", "at_utc": "2026-03-02T14:08:00+00:00"}
    elsewhere["next"] = {"at_utc": "2026-03-02T15:00:00+00:00", "why": "every 4 h"}
    lines = [line for line, _ in status_lines(elsewhere, results[0], 80)]
    assert lines[0].endswith("Tue 03 Mar 2026 03:08")
    assert "next       today 04:00, in 52 min (every 4 h)" in lines
    assert not any("+00:00" in line for line in lines)


@pytest.mark.parametrize(
    "trouble",
    [
        {},
        {"parked": "2026-03-01T00:00:00+00:00"},
        {"commissioned": None},
        {"bypasses": [{"name": "clock", "left_h": 1.0}]},
    ],
)
def test_nothing_is_wrong_only_where_it_is_so(seen, trouble):
    status, results, _ = seen
    calm = {**status, "interlocks": [], "alerts": [], "held_until": None, **trouble}
    lines = [line for line, _ in status_lines(calm, results[0], 80)]
    assert ("Nothing acts, nothing is wrong." in lines) is not bool(trouble)


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("words", [("show", "1"), ("show", "1", "--budget"), ("show", "2"), ("results",)])
def test_what_reads_the_records_fits(seen, monkeypatch, words, width):
    _, _, records = seen
    monkeypatch.setenv("COLUMNS", str(width))
    code, out, _ = run(*words, "--db", records)
    assert code == 0
    assert beyond(out.splitlines(), width) == []


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize(
    "words", [("check",), ("check", "--all"), ("recipe", "carbonate"), ("recipe", "titrant"), ("explain",), ("--help",)]
)
def test_what_needs_no_records_fits(monkeypatch, words, width):
    monkeypatch.setenv("COLUMNS", str(width))
    code, out, _ = run(*words)
    assert code == 0
    assert beyond(out.splitlines(), width) == []
    if words == ("check",) and width == 80:
        assert len(out.splitlines()) <= 10


def longest_result(number):
    verdict = {"verdict": Verdict.PROVISIONAL.value, "reasons": [reason.value for reason in list(Reason)[:number]]}
    return {
        "id": 9000 + number,
        "source": "new-saltwater",
        "started_utc": (NOW - timedelta(days=200 * number)).isoformat(),
        "alkalinity": {"umol_per_kg": 4321.0, "dkh": 12.4156, "u": 35.0, **verdict},
        "ph_total": {"value": 8.051, "u": 0.1, **verdict},
        "salinity": {"value": 35.0, "u": 0.2, **verdict},
        "change": {"dkh": -1.12, "u_dkh": 0.1, "across_titre_factors": True},
    }


@pytest.mark.parametrize("width", [*WIDTHS, 110])
def test_the_longest_results_fit_and_keep_their_uncertainty(width):
    lines = result_lines([longest_result(n) for n in range(5)], BERLIN, DKH, NOW, width)
    assert beyond(lines, width) == []
    assert sum("12.42 ± 0.20" in line for line in lines) == 5
    assert sum("−1.12 ± 0.20*" in line for line in lines) == 5
    assert ("8.05" in "".join(lines)) is (width >= 80)


def test_a_change_that_leaves_no_room_is_left_out_and_the_value_stays():
    late = {**longest_result(1), "id": 123456, "change": {"dkh": -10.12, "u_dkh": 1.1, "across_titre_factors": True}}
    lines = result_lines([late], BERLIN, DKH, NOW, 60)
    assert beyond(lines, 60) == []
    assert "12.42 ± 0.20" in lines[1]
    assert "−10.12" not in lines[1]


@pytest.mark.parametrize("width", WIDTHS)
def test_a_simulation_fits(capsys, monkeypatch, width):
    monkeypatch.setenv("COLUMNS", str(width))
    quantity = {"value": 35.01, "u": 0.2, "truth": 35.02, "verdict": "accepted", "reasons": []}
    a = {"umol_per_kg": 2480.0, "u": 10.0, "truth": 2471.0, "verdict": "provisional", "reasons": ["not-standardised"]}
    entry = {"id": 123, "started_h": 719.5, "alkalinity": a, "ph_total": quantity, "salinity": quantity}
    trip = {"at_h": 5.0, "cleared_h": 7.0, "kind": "trip", "interlock": "leak", "cuts": ["sample", "titrant", "waste"]}
    truth = {"peak_vessel_ml": 120.0, "vessel_capacity_ml": 150.0, "spilled_ml": 0.0, "titrant_to_tank_ml": 0.0}
    alert = {"at_h": 5.0, "severity": "warning", "text": "something long is wrong with the bench " * 4}
    print_simulation(
        {"determinations": [entry], "trips": [trip], "alerts": [alert], "truth": truth, "wall_s": 1.0}, DKH
    )
    out = capsys.readouterr().out
    assert "truth" in out
    assert beyond(out.splitlines(), width) == []


@pytest.mark.parametrize("width", WIDTHS)
def test_an_absence_and_calibrations_fit(capsys, monkeypatch, width):
    monkeypatch.setenv("COLUMNS", str(width))
    until = (NOW + timedelta(days=21)).isoformat()
    found = {
        "away": {"until_utc": until, "gap_h": 9.5, "applied": False},
        "wanted": 126,
        "by_titrant": 51,
        "by_waste": 60,
        "lasts": True,
        "parts_due": [{"name": "sample_pump_tube", "due_utc": until}],
        "alerts_go_to": ["notification addresses in alerts.urls_file", "a heartbeat at 08:00", "the broker"],
    }
    print_away(found, NOW, BERLIN)
    out = capsys.readouterr().out
    assert "Mon 23 Mar 15:08, in 21 days" in out
    assert beyond(out.splitlines(), width) == []
    one = {
        "in_force": True,
        "id": 1234,
        "at_utc": "2025-12-24T23:30:00+00:00",
        "kind": "conductivity",
        "by": "somebody.with.a.long.name",
        "outcome": "provisional",
        "words": "cell constant 1.0123 ± 0.0021 from two standards, " * 3,
    }
    lines = calibration_lines([one, {**one, "in_force": False}], BERLIN, NOW, width)
    assert "25 Dec 2025" in lines[1]
    assert beyond(lines, width) == []


@pytest.mark.parametrize(
    ("at", "said"),
    [
        (NOW + timedelta(minutes=52), "today 16:00, in 52 min"),
        (NOW - timedelta(hours=2), "today 13:08, 2 h ago"),
        (NOW - timedelta(hours=20), "yesterday 19:08, 20 h ago"),
        (NOW + timedelta(hours=9), "tomorrow 00:08, in 9 h"),
        (NOW - timedelta(days=6), "Tue 24 Feb 15:08, 6 days ago"),
        (NOW + timedelta(days=30), "Wed 01 Apr 16:08, in 30 days"),  # summer time has begun
        (NOW, "today 15:08, now"),
    ],
)
def test_a_time_is_said_by_the_clock_and_from_now(at, said):
    assert moment(at.isoformat(), NOW, BERLIN) == said


def test_a_time_of_another_year_says_so():
    at = datetime(2025, 7, 1, 10, 0, tzinfo=UTC)
    assert by_the_clock(at, NOW, BERLIN) == "01 Jul 2025 12:00"
    assert short(at, NOW, BERLIN) == "01 Jul 2025"
    assert relative(at, NOW) == "244 days ago"


def test_labels_and_texts_are_kept_whole():
    words = "a text of some words that does not fit into one line of the screen"
    assert " ".join(" ".join(wrapped(words, 30, indent=2)).split()) == words
    assert labelled("not commissioned", "say so", 40) == ["not commissioned", "           say so"]
