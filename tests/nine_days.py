"""Nine days of a reef in a bench's records, and what its service would say of it: for whatever shows it to a keeper.

The reef is `tests/tank/reef.py`, which knows nothing of the product; no determination is played.
"""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from saltern.clock import VirtualClock
from saltern.config.loading import load_bench
from saltern.model.alert import Alert, Severity
from saltern.model.determination import Determination, Source
from saltern.model.ledger import Interval, Ledger
from saltern.model.logbook import Dose, OtherTest, Remark, WaterChange
from saltern.model.verdict import Quantity, Reason, Verdict
from saltern.records.opening import open_for_reading, open_store
from saltern.running.schedule import Decision
from saltern.running.shown import Shown
from saltern.running.status import picture
from tests.tank.reef import DKH_PER_UMOL_KG, GOOD_OWN_UMOL_KG, Reef, play

LONG = timedelta(days=9, hours=1, minutes=25)
NOW = datetime(2026, 3, 2, tzinfo=UTC) + LONG
DEMO = Path(__file__).parents[1] / "config" / "bench-simulated.toml"
TANK = """
[tank]
volume_l = 400.0
volume_u_percent = 1.5
target_dkh = 8.0
low_dkh = 7.0
high_dkh = 9.0

[tank.supplements.soda]
salt = "sodium-bicarbonate"
g_per_l = 84.0

[[tank.doser]]
since = {since}
supplement = "soda"
ml_per_day = {ml_per_day:.2f}
"""


def determination(at, dkh, verdict=Verdict.ACCEPTED, titre=1):
    return Determination(
        source=Source.TANK,
        started_at=at,
        started_s=at.timestamp(),
        alkalinity=Quantity(
            dkh / DKH_PER_UMOL_KG,
            GOOD_OWN_UMOL_KG * 1.2,
            verdict,
            () if verdict is Verdict.ACCEPTED else (Reason.UNEXPECTED,),
        ),
        ph_total=Quantity(8.05, 0.02, Verdict.ACCEPTED),
        salinity=Quantity(35.0, 0.1, Verdict.ACCEPTED),
        finished_s=at.timestamp() + 900.0,
        method="least-squares",
        temperature_c=24.0,
        budget_umol_kg={"curve": GOOD_OWN_UMOL_KG, "titre factor": 2.0},
        calibrations={"titre": titre},
    )


def nine_days(folder, tables="", now=NOW):
    """Write a bench file with records of nine days, up to now, beside it; return its path."""
    begin = now - LONG
    played = play(Reef(1, 9, dosed_over_consumed=(0.95, 0.95)), 2)
    (history,) = played.histories
    meq_per_dkh = 400.0 / 2.8039
    file = folder / "bench.toml"
    ml_per_day = history.doser[0].dkh_per_day * meq_per_dkh / (84.0 / 84.006)
    text = DEMO.read_text().replace("[schedule]\n", '[schedule]\ntime_zone = "Europe/Lisbon"\n')
    since = (begin - timedelta(days=1)).isoformat(timespec="seconds")
    file.write_text(text + TANK.format(ml_per_day=ml_per_day, since=since) + tables)
    store = open_store(folder / load_bench(file).records.path, VirtualClock())
    for number, each in enumerate(history.seen):
        at = begin + timedelta(days=each.at_d)
        titre = 1 if number < 44 else 2
        store.keep(determination(at, each.dkh, titre=titre))
        if number in (20, 48):
            store.keep(determination(at + timedelta(minutes=40), each.dkh + 0.35, Verdict.SUSPECT, titre))
    reference = replace(determination(now - timedelta(hours=1), 6.9), source=Source.REFERENCE)
    store.keep(reference)
    last = history.seen[-1].dkh
    store.log(OtherTest(quantity="alkalinity_dkh", value=round(last + 0.1, 1), method="kit"), now - timedelta(hours=30))
    store.log(OtherTest(quantity="alkalinity_dkh", value=round(last - 0.1, 1), method="kit"), now - timedelta(days=6))
    store.log(OtherTest(quantity="magnesium_mg_l", value=1310.0, method="kit"), now - timedelta(days=2))
    store.log(WaterChange(litres=30.0, alkalinity_dkh=8.1), now - timedelta(hours=52))
    store.log(Dose(chemical="soda", amount=40.0), now - timedelta(hours=44))
    store.log(Remark(text="a remark with <b>marks</b> & signs"), now - timedelta(hours=20))
    store.close()
    return file


class _Bench:
    """What `Shown` asks of a service: its bench file, its clock, and when it scanned last."""

    class _Guard:
        scanned_s = 0.0

    def __init__(self, config, now):
        self.config, self.clock = config, VirtualClock(start=now)
        self.bench = type("Bench", (), {"guard": self._Guard()})


def shown(file, now=NOW, alerts=()):
    """Return what outlets are given at a moment at which these alerts stand."""
    config = load_bench(file)
    reader = open_for_reading(file.parent / config.records.path, VirtualClock(start=now))
    ledger = Ledger(Interval(30.0, 34.0), Interval(610.0, 640.0), Interval(2100.0, 2200.0))

    def status():
        found = picture(
            config,
            reader,
            now,
            ledger=ledger,
            acting=(),
            standing=tuple(alerts),
            running=None,
            conditions={},
            decision=Decision(False, "the next slot is to come"),
            refused=None,
            bypassed={},
            connections={},
        )
        return {**found, "question": None, "commissioned": {"at_utc": None, "who": "test", "why": "test"}}

    try:
        return Shown(_Bench(config, now), reader, status).draw()
    finally:
        reader.close()


def alert(severity, code, text, at=NOW):
    return Alert(at, 0.0, Severity(severity), code, text)
