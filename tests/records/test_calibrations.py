"""What is kept and cannot be: a start sets it aside, tells of it, and goes on with what is left."""

from datetime import timedelta

import pytest

from saltern.errors import ConfigError
from saltern.model.calibration import Calibration, Kind
from saltern.records import calibrations
from saltern.running import guided
from tests.keeper import keeper

STRONG = Calibration(Kind.TITRANT, {"titrant.concentration_mol_per_l": 50.0}, "50 mol/L")
SOUND = Calibration(Kind.TITRANT, {"titrant.concentration_mol_per_l": 0.05}, "0.05 mol/L")
WARMER = Calibration(Kind.TEMPERATURE, {"probes.temperature.offset_k": 0.3}, "+0.3 K")
FACTOR = Calibration(Kind.TITRE, {"titre.factor": 1.02, "titre.u_percent": 0.3}, "1.02")


@pytest.fixture
def started_again(tmp_path):
    """A start on records that an earlier version kept these calibrations in."""
    begun = []

    def start(*kept, then=lambda store: None):
        records = str(tmp_path / "records.sqlite")
        before = keeper(records=records)
        for one in kept:
            calibrations.keep(before.service.store, one, "ada", before.stage.clock.now(), {})
        then(before.service.store)
        before.stage.close()
        begun.append(keeper(records=records))
        return begun[-1].service

    yield start
    for hands in begun:
        hands.stage.close()


def set_aside(service):
    return [alert for alert in service.alerting.standing if alert.code == "calibration-set-aside"]


def test_a_start_sets_aside_what_no_bench_could_run_with_and_tells_of_it(started_again):
    service = started_again(WARMER, STRONG)

    (alert,) = set_aside(service)
    assert "calibration 2 (titrant)" in alert.text
    assert "roll-back" in alert.text
    assert service.config.titrant == service.file.titrant
    assert service.config.probes.temperature.offset_k == 0.3
    assert service.bench.calibrations == {"temperature": 1}


def test_no_titre_factor_counts_beside_a_titrant_that_is_set_aside(started_again):
    service = started_again(FACTOR, STRONG)

    assert (service.config.titre.factor, service.config.titre.u_percent) == (1.0, None)


def test_what_goes_with_the_bench_file_is_taken_up_as_ever(started_again):
    service = started_again(WARMER, FACTOR)

    assert not set_aside(service)
    assert service.config.titre.factor == 1.02


@pytest.mark.parametrize(
    ("column", "value"), [("options", "{"), ("options", "null"), ("kind", "salt"), ("at_utc", "then")]
)
def test_a_calibration_that_cannot_be_read_counts_no_more_and_no_titre_factor_with_it(started_again, column, value):
    def damage(store):
        with store.writing("damage") as connection:
            connection.execute(f"UPDATE calibration SET {column} = ? WHERE kind = 'titrant'", (value,))

    service = started_again(WARMER, FACTOR, SOUND, then=damage)

    service.round()
    (alert,) = (alert for alert in service.alerting.standing if alert.code == "calibration-damaged")
    assert "titrant" in alert.text
    assert service.config.titre.u_percent is None
    assert service.bench.calibrations == {"temperature": 1, "titre": 2}


def test_a_new_calibration_of_that_kind_ends_the_alert(started_again):
    service = started_again(STRONG)
    calibrations.keep(service.store, SOUND, "ada", service.clock.now(), {})
    service.take_up_calibrations()

    assert not set_aside(service)


def test_what_no_bench_could_run_with_is_not_rolled_back_to(started_again):
    service = started_again(STRONG, WARMER)
    calibrations.roll_back(service.store, Kind.TITRANT, None, "ada", service.clock.now())
    with pytest.raises(ConfigError, match="no bench could run with calibration 1"):
        guided.roll_back(service, "titrant", 1, "ada")

    assert Kind.TITRANT not in calibrations.in_force(service.store)


def test_a_bench_file_is_reloaded_though_a_calibration_is_set_aside(started_again):
    service = started_again(STRONG)
    schedule = service.file.schedule.model_copy(update={"every_h": 7.0})

    assert service.reload(service.file.model_copy(update={"schedule": schedule})) == ["schedule"]


def test_entries_that_no_tank_could_hold_are_not_computed_with(started_again):
    service = started_again()
    with service.store.writing("an entry of an earlier version") as connection:
        connection.execute(
            "INSERT INTO log_entry (at_utc, kind, detail) VALUES (?, 'dose', ?)",
            (service.clock.now().isoformat(), '{"chemical": "soda", "amount": 1e308, "unit": "mL"}'),
        )

    assert service.store.logged(service.clock.now() - timedelta(days=1)) == []
