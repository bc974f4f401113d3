"""What the keeper is told of: each thing when it is so, and not when it is not."""

from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta

import pytest

from saltern.bench import bookkeeping
from saltern.config.loading import bench_from
from saltern.config.tables import Part
from saltern.model.ledger import Interval
from saltern.model.usage import Usage
from saltern.records.upkeep import Installed
from saltern.running.watch import bands, calibrations, parts, silence, stores
from tests.twin_bench import TwinBench, bench_table

NOW = datetime(2026, 6, 1, 12, tzinfo=UTC)
FULL = bookkeeping.first(150.0, 1000.0)


def config(changes=None):
    return bench_from(bench_table(changes), where="test")


def standing(found):
    return {watched.code for watched in found if watched.stands}


def test_stores_are_told_of_before_they_run_out():
    assert standing(stores.of_stores(config(), FULL)) == set()
    low = replace(FULL, titrant_left_ml=Interval(60.0, 500.0))
    assert standing(stores.of_stores(config(), low)) == {"titrant-low"}
    full = replace(FULL, waste_ml=Interval(2000.0, 9900.0))
    assert standing(stores.of_stores(config(), full)) == {"waste-nearly-full"}


def test_parts_are_due_by_their_age_and_unknown_ages_are_not_made_up():
    bench = config({"parts": {"ph_probe": {"life_days": 365.0}, "sample_tube": {"life_days": 90.0}}})
    known = {"ph_probe": Installed("ph_probe", NOW - timedelta(days=366))}

    assert standing(parts.of_parts(bench, known, NOW, {})) == {"part-due-ph_probe"}


@pytest.mark.parametrize(("on", "stale"), [("2026-05-01", False), ("2026-01-01", True)])
def test_old_calibrations_are_told_of_and_undated_ones_are_not(on, stale):
    bench = config({"probes.ph.calibrated_on": date.fromisoformat(on)})
    found = standing(calibrations.of_calibrations(bench, NOW.date()))

    assert found == ({"calibration-stale-ph-probe"} if stale else set())


@pytest.fixture(scope="module")
def determination():
    return TwinBench().determine()


def results(determination, *umol_kg, every_h=4.0):
    return [
        replace(
            determination,
            started_at=NOW - timedelta(hours=every_h * (len(umol_kg) - 1 - k)),
            alkalinity=replace(determination.alkalinity, value=value, u=4.0),
        )
        for k, value in enumerate(umol_kg)
    ]


@pytest.mark.parametrize(
    ("values", "told"),
    [
        ((2500.0, 2500.0, 2500.0), set()),
        ((2300.0, 2240.0, 2180.0, 2120.0), {"alkalinity-low", "alkalinity-changing"}),
        ((3000.0, 3000.0, 3000.0), {"alkalinity-high"}),
        ((2590.0, 2530.0, 2470.0, 2410.0), {"alkalinity-changing"}),
        ((2502.0, 2500.0, 2498.0, 2500.0), set()),
    ],
)
def test_a_tank_out_of_its_band_or_changing_fast_is_told_of(determination, values, told):
    rules = config({"alerts": {"low_dkh": 6.5, "high_dkh": 8.0, "change_dkh_per_day": 0.5}})
    past = results(determination, *values)

    assert standing(bands.of_bands(bands.Looked(rules, past, None, (), NOW))) == told


def test_a_report_says_what_each_number_rests_on_and_what_is_not_known():
    bench = config({"parts": {"ph_probe": {"life_days": 100.0}, "tube": {"life_days": 9.0}}, "titre.u_percent": 0.2})
    rows = {name: (value, on) for name, value, on in calibrations.calibrations(bench)}
    rows_of_parts = parts.part_rows(bench, {"ph_probe": Installed("ph_probe", NOW)})

    assert set(rows) == set(calibrations.calibrated_on(bench))
    assert rows["titre"] == ("factor 1, u 0.2 %", "date not given")
    assert rows_of_parts == [("ph_probe", "2026-06-01", "2026-09-09"), ("tube", "unknown", "unknown")]


def test_a_tube_is_due_by_its_pumps_hours_and_litres():
    tube = Part(life_days=3650.0, pump="sample", life_hours=100.0, life_litres=50.0)
    bench = config().model_copy(update={"parts": {"sample_tube": tube}})
    known = {"sample_tube": Installed("sample_tube", NOW, {"sample": Usage(3600.0 * 10.0, 2000.0, 50)})}

    def due(hours, litres):
        turned = {"sample": Usage(3600.0 * hours, 1000.0 * litres, 99)}
        return standing(parts.of_parts(bench, known, NOW, turned))

    assert due(hours=109.0, litres=51.0) == set()
    assert due(hours=111.0, litres=3.0) == {"part-due-sample_tube"}
    assert due(hours=11.0, litres=53.0) == {"part-due-sample_tube"}


def test_a_sample_pump_that_gives_less_by_weight_is_told_of():
    bench = config()
    stated = bench.pumps.sample.ml_per_unit

    def due(share, count):
        weighed = [Weighed({"weighed.sample_ml_per_unit": stated * share})] * count
        return standing(calibrations.of_weighed(bench, weighed))

    assert due(0.95, 10) == {"sample-pump-worn"}
    assert due(0.99, 10) == due(0.95, 9) == standing(calibrations.of_weighed(bench, [])) == set()


@dataclass
class Weighed:
    calibrated: dict


@pytest.mark.parametrize("at", ["00:00", "09:00", "23:49", "23:50", "23:58"])
def test_the_first_heartbeat_comes_at_any_time_of_the_day(at):
    bench = config({"alerts": {"heartbeat": at}, "schedule": {"every_h": 4, "time_zone": "UTC"}})
    hour, minute = map(int, at.split(":"))
    soon, later = (NOW.replace(hour=hour, minute=minute) + timedelta(minutes=m) for m in (1, 30))

    assert silence.Heartbeat().look(bench, soon, ()) == "alive. Nothing is wrong"
    if later.date() == soon.date():
        assert silence.Heartbeat().look(bench, later, ()) is None  # a service that starts then says it tomorrow
