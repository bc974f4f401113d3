"""Guided procedures on the twin, with a keeper's hands: what they find, what they refuse, what they leave behind."""

import pytest

from saltern.bench.bench import StopRequested
from saltern.cli.simulated_computer import ProcessDeath
from saltern.config.loading import bench_from, with_values
from saltern.errors import ConfigError, InterlockError, SalternError
from saltern.model.calibration import Cause, Kind, RefusedError
from saltern.model.determination import Source
from saltern.quality.scatter import STATED_FREEDOM
from saltern.records import calibrations
from saltern.records.upkeep import installed, usage
from saltern.running import guided
from saltern_drivers.twin.tank import Tank
from tests.keeper import keeper
from tests.twin_bench import TwinBench, bench_table


def reference(alkalinity=2200.0):
    return Tank(
        alkalinity_umol_kg=alkalinity,
        salinity=33.5,
        temperature_c=24.0,
        consumption_dkh_per_day=0.0,
        dosed_dkh_per_day=0.0,
        mass_g=1e12,  # a bottle is not topped up with fresh water, as a tank is
    )


def carbonate(alkalinity=2400.0):
    return Tank(
        alkalinity_umol_kg=alkalinity,
        salinity=35.0,
        temperature_c=24.0,
        consumption_dkh_per_day=0.0,
        dosed_dkh_per_day=0.0,
        mass_g=1e12,  # a bottle is not topped up with fresh water, as a tank is
        natural_share=0.0,
        heavier=1.0265 / 1.0236,  # 4.09 % NaCl at 24 degC, handbook, over seawater of S 35
    )


OUT_OF_THE_BOX = {"twin": {"calibrated": False, "instruments": "hobby"}}
CELL_AS_FILED = {"twin": {"truth": {"conductivity_tip_mm": 6.0, "vessel_area_cm2": 20.0}}}
"""What primes the sample line covers a cell at 12 mL by 0.4 mL: one that hangs a millimetre higher stays dry, and the
drain after it is not proved."""


@pytest.fixture(scope="module")
def commissioned():
    """A bench out of the box, and a keeper who has calibrated everything."""
    hands = keeper(seed=11, scenario=OUT_OF_THE_BOX, reference=reference())
    for name, options in (
        ("calibrate-temperature", {}),
        ("calibrate-conductivity", {"standards": ("35", "28")}),
        ("calibrate-ph", {"buffers": ("phthalate", "phosphate")}),
        ("calibrate-pump", {"pump": "sample", "new_tube": True}),
        ("calibrate-pump", {"pump": "waste"}),
        ("calibrate-pump", {"pump": "titrant", "new_tube": True}),
        ("standardise", {"alkalinity_umol_kg": 2200.0, "u_umol_kg": 1.5, "lot": "bucket 3"}),
    ):
        hands.run(name, **options)
    return hands


def test_a_commissioned_bench_knows_its_pumps_and_probes(commissioned):
    config, truths = commissioned.service.config, commissioned.world.truths
    file = commissioned.service.file

    def gain(pump):
        return getattr(config.pumps, pump).ml_per_unit / getattr(file.pumps, pump).ml_per_unit

    assert gain("sample") == pytest.approx(truths.sample_gain, abs=0.008)
    assert gain("titrant") == pytest.approx(truths.titrant_gain, abs=0.005)
    assert gain("waste") == pytest.approx(truths.waste_gain, abs=0.06)
    assert config.probes.ph.slope_percent == pytest.approx(100.0 * truths.electrode_slope, abs=1.5)
    assert config.probes.ph.lag_s == pytest.approx(truths.errors.lag_s, rel=0.35)
    assert config.probes.conductivity.cell_factor == pytest.approx(1.0 / truths.conductivity, rel=0.005)
    assert config.probes.temperature.offset_k == pytest.approx(-truths.temperature_offset_k, abs=0.35)


def test_it_measures_what_is_there(commissioned):
    service = commissioned.service
    errors = []
    for _ in range(3):
        d = service.measure(Source.TANK)
        errors.append(d.alkalinity.value - commissioned.stage.play.tank_alkalinity(d.ph_read_s))
        assert d.alkalinity.verdict.value == "accepted"
        assert abs(errors[-1]) < 3.0 * d.alkalinity.u
        assert d.calibrations["titre"] == calibrations.in_force(service.store)[Kind.TITRE].id
    assert max(abs(error) for error in errors) < 60.0


def test_a_calibration_outlives_the_process_and_can_be_taken_back(tmp_path):
    hands = keeper(records=str(tmp_path / "records.sqlite"))
    first = hands.run("calibrate-temperature")["calibration"]
    hands.mistakes["off"] = 0.5
    second = hands.run("calibrate-temperature")["calibration"]
    offset = hands.service.config.probes.temperature.offset_k
    hands.stage.computer.lose(powered=True)
    hands.stage.computer.start_again()

    assert hands.service.config.probes.temperature.offset_k == offset
    calibrations.roll_back(hands.service.store, Kind.TEMPERATURE, first, "keeper", hands.stage.clock.now())
    hands.service.take_up_calibrations()
    assert hands.service.config.probes.temperature.offset_k == pytest.approx(offset - 0.5, abs=0.3)
    calibrations.roll_back(hands.service.store, Kind.TEMPERATURE, None, "keeper", hands.stage.clock.now())
    hands.service.take_up_calibrations()
    assert hands.service.config.probes.temperature.offset_k == 0.0
    assert [kept.id for kept in calibrations.history(hands.service.store)] == [second, first]
    hands.stage.close()


def test_the_density_of_tank_water_is_that_of_the_last_result():
    """Water of S 31 is 0.3 % lighter than what a keeper would take for it."""
    hands = keeper(seed=12, scenario={"tank": {"salinity": 31.0}})
    assert hands.service.measure(Source.TANK).salinity.value == pytest.approx(31.0, abs=0.2)
    hands.run("calibrate-pump", pump="sample", times=5)

    given = hands.service.config.pumps.sample.ml_per_unit
    assert given == pytest.approx(hands.world.pumps["sample"].ml_per_unit, rel=1.2e-3)


def test_a_pump_calibration_ends_the_titre_factor():
    hands = keeper()
    assert hands.service.config.titre.u_percent is not None
    hands.run("calibrate-pump", pump="titrant")

    assert hands.service.config.titre.u_percent is None
    assert calibrations.in_force(hands.service.store)[Kind.TITRE].outcome == "ended"
    d = hands.service.measure(Source.TANK)
    assert d.alkalinity.verdict.value == "provisional"


def test_a_pump_calibration_taken_back_ends_the_titre_factor_that_was_found_with_it():
    hands = keeper(reference=reference())
    service = hands.service
    first = hands.run("standardise", alkalinity_umol_kg=2200.0, u_umol_kg=2.0)["calibration"]
    hands.run("calibrate-pump", pump="titrant")
    hands.run("standardise", alkalinity_umol_kg=2200.0, u_umol_kg=2.0)
    assert service.config.titre.u_percent is not None
    guided.roll_back(service, "titrant-pump", None, "keeper")

    assert service.config.titre.u_percent is None
    guided.roll_back(service, "titre", first, "keeper")
    assert service.config.titre.u_percent is not None
    d = service.measure(Source.TANK)
    assert d.alkalinity.verdict.value == "accepted"
    assert abs(d.alkalinity.value - hands.stage.play.tank_alkalinity(d.ph_read_s)) < 3.0 * d.alkalinity.u


def test_carbonate_in_sodium_chloride_gives_the_same_factor_as_seawater():
    factors = []
    for source, options in (
        (reference(), {"alkalinity_umol_kg": 2200.0}),
        (carbonate(), {"alkalinity_umol_kg": 2400.0, "medium": "nacl"}),
    ):
        hands = keeper(seed=12, reference=source)
        factors.append(hands.run("standardise", u_umol_kg=1.0, **options)["values"]["titre.factor"])

    assert factors[0] == pytest.approx(factors[1], rel=0.003)


def test_an_inlet_that_was_left_in_the_tank_is_asked_about():
    """The bottle says 2200, and what comes reads as the tank did: the keeper looks, and it is measured again."""
    hands = keeper(reference=reference(), mistakes={"inlet-in-reference": "inlet-back"})
    hands.service.measure(Source.TANK)

    def at(key):
        if hands.asked.count("inlet-in-reference") == 2:
            hands.mistakes.clear()

    hands.at_key = at
    found = hands.run("standardise", alkalinity_umol_kg=2200.0, u_umol_kg=1.5)

    assert hands.asked.count("inlet-in-reference") == 2
    assert found["values"]["titre.factor"] == pytest.approx(1.0, abs=0.01)
    assert any(text.startswith("results will move by") for text in hands.said)


def test_a_new_tube_that_is_logged_opens_the_factor_until_the_next_reference():
    """The factor held the old tube's gain: neither its level nor its rate is the new one's."""
    config = with_values(
        TwinBench().config, {"parts.sample_tube": {"life_days": 90.0, "pump": "sample"}}, where="parts"
    )
    hands = keeper(reference=reference(), bench=config)
    service = hands.service
    options = {"alkalinity_umol_kg": 2200.0, "u_umol_kg": 1.5}
    hands.run("standardise", **options)
    assert guided.titre_state(service) is not None
    hands.stage.clock.sleep(60.0)
    service.operator(["part", "installed", "sample_tube"])
    hands.world.pumps["sample"].gain_shift = 0.03

    d = service.measure(Source.TANK)
    assert (d.alkalinity.verdict.value, [reason.value for reason in d.alkalinity.reasons]) == (
        "provisional",
        ["not-standardised"],
    )
    assert guided.titre_state(service) is None
    found = hands.run("standardise", **options)
    assert found["values"]["titre.factor"] == pytest.approx(1.0 / 1.03, rel=0.01)
    assert found["values"]["titre.course.rate_u_percent_per_month"] == pytest.approx(1.0)
    assert found["values"]["titre.scatter_freedom"] == STATED_FREEDOM + 2.0
    d = service.measure(Source.TANK)
    assert d.alkalinity.verdict.value == "accepted"
    assert abs(d.alkalinity.value - hands.stage.play.tank_alkalinity(d.ph_read_s)) < 3.0 * d.alkalinity.u


def test_successive_standardisations_are_combined():
    hands = keeper(reference=reference())
    first = hands.run("standardise", alkalinity_umol_kg=2200.0, u_umol_kg=0.5)
    second = hands.run("standardise", alkalinity_umol_kg=2200.0, u_umol_kg=0.5)
    alone = second["statistics"]["factor_found"]

    assert second["values"]["titre.u_percent"] < first["values"]["titre.u_percent"]
    low, high = sorted((first["values"]["titre.factor"], alone))
    assert low <= second["values"]["titre.factor"] <= high
    freedom = [found["values"]["titre.scatter_freedom"] for found in (first, second)]
    assert freedom == [STATED_FREEDOM + 2.0, STATED_FREEDOM + 4.0]
    assert hands.service.config.titre.scatter_percent == second["values"]["titre.scatter_percent"]


def test_a_bend_is_known_of_the_electrode_that_the_references_were_measured_with():
    config = with_values(TwinBench().config, {"parts.ph_probe": {"life_days": 400.0, "settles": "ph"}}, where="parts")
    hands = keeper(reference=reference(), bench=config)
    measuring = hands.service.measuring

    assert measuring._expectation(Source.TANK).bend_mv is None
    hands.run("standardise", alkalinity_umol_kg=2200.0, u_umol_kg=1.5)
    assert abs(measuring._expectation(Source.TANK).bend_mv.value) < 1.0
    hands.stage.clock.sleep(60.0)
    hands.service.operator(["part", "installed", "ph_probe"])
    assert measuring._expectation(Source.TANK).bend_mv is None


def test_a_pump_that_always_scatters_is_learnt_by_its_calibration_and_then_standardised():
    """It scatters four times as much as its file says: refused at first, with what to do; then results state it."""
    config = bench_from(bench_table({"limits.accept_u_umol_kg": 40.0}), where="a keeper who takes what it is worth")
    hands = keeper(reference=reference(), scenario={"days": 9.0}, bench=config)
    hands.world.pumps["sample"].repeatability = 0.004
    with pytest.raises(RefusedError) as refused:
        hands.run("standardise", alkalinity_umol_kg=2200.0, u_umol_kg=1.5)
    assert refused.value.cause is Cause.SCATTER
    assert "saltern calibrate pump sample --times 10" in refused.value.remedy

    hands.run("calibrate-pump", pump="sample", times=10)
    hands.run("standardise", alkalinity_umol_kg=2200.0, u_umol_kg=1.5)
    d = hands.service.measure(Source.TANK)
    own = d.alkalinity.in_parts().u_own

    assert d.alkalinity.verdict.value == "accepted"
    assert abs(d.alkalinity.value - hands.world.tank.alkalinity_umol_kg) < 3.0 * d.alkalinity.u
    assert 0.7 * 0.004 < own / d.alkalinity.value < 1.5 * 0.004


def test_priming_fills_the_line_into_a_vessel_with_room_and_never_beyond():
    hands = keeper()
    found = hands.run("prime", pump="titrant")

    assert found["pumped_ml"] == pytest.approx(1.5 * hands.service.config.pumps.titrant.line.volume_ml)
    with pytest.raises(ConfigError, match="more than 18 mL"):
        hands.run("prime", pump="titrant", volume_ml=25.0)
    with pytest.raises(InterlockError):
        hands.run("prime", pump="sample", volume_ml=130.0)


def test_a_new_bottle_is_purged_booked_and_followed_by_provisional_results():
    hands = keeper()
    hands.world.bottle_ml = 40.0
    hands.run("change-bottle", lot="7", expires="2027-01-01", mol_per_l=0.05)
    left = hands.service.bench.ledger.titrant_left_ml

    assert left.low <= hands.world.bottle_ml <= left.high
    assert "lot 7" in installed(hands.service.store)["titrant bottle"].note
    verdicts = []
    for _ in range(2):
        d = hands.service.measure(Source.TANK)
        verdicts.append(d.alkalinity.verdict.value)
    assert verdicts == ["provisional", "provisional"]


def test_a_bottle_of_the_same_strength_bridges_and_a_weaker_one_does_not():
    for strength, cause in ((1.0, None), (0.97, Cause.JUMP)):
        hands = keeper(mistakes={"strength": strength})
        if cause is None:
            before = hands.service.config.titre
            assert abs(hands.run("change-bottle", lot="8", bridge=True)["statistics"]["jump_percent"]) < 1.0
            after = hands.service.config.titre
            assert (after.factor, after.u_percent > before.u_percent) == (before.factor, True)
        else:
            with pytest.raises(RefusedError) as refused:
                hands.run("change-bottle", lot="8", bridge=True)
            assert refused.value.cause is cause


def test_a_parked_bench_measures_nothing_until_it_is_taken_up():
    hands = keeper()
    hands.run("park")
    assert hands.service.parked()
    hands.service.look()
    hands.service.round()
    assert hands.service.store.results(1) == []
    assert hands.world.titrant_since_empty_ml < 0.2

    hands.run("resume")
    assert not hands.service.parked()
    d = hands.service.measure(Source.TANK)
    assert d.alkalinity.verdict.value == "provisional"
    assert any("pause" in remark for remark in d.remarks)


def test_a_known_addition_is_found_again():
    hands = keeper()
    found = hands.run("spike", added_umol_kg=300.0)

    assert found["recovery_percent"] == pytest.approx(100.0, abs=3.0)
    hands.mistakes["added"] = 200.0
    with pytest.raises(RefusedError) as refused:
        hands.run("spike", added_umol_kg=300.0)
    assert refused.value.cause is Cause.RECOVERY


def test_hours_and_litres_of_each_pump_are_counted():
    hands = keeper()
    hands.service.measure(Source.TANK)
    turned = usage(hands.service.store)

    assert set(turned) == {"sample", "waste", "titrant"}
    assert turned["sample"].volume_ml > 150.0
    assert turned["titrant"].running_s > 5.0


# What is refused, by the name of its cause ---------------------------------------------


def air_while_running(hands):
    def at(key):
        if key == "tare" and hands.asked.count("tare") == 2:
            hands.world.titrant_line_air_ml = 0.8

    hands.at_key = at


def drifting(hands):
    hands.world.electrode.fault_drift_mv_per_s = 2.0 / 60.0


@pytest.mark.parametrize(
    ("procedure", "options", "mistakes", "happens", "cause"),
    [
        ("calibrate-ph", {}, {"bottle phosphate": "borax"}, None, Cause.WRONG_BUFFER),
        ("calibrate-ph", {}, {"bottle phthalate": "phosphate"}, None, Cause.BUFFERS_SWAPPED),
        (
            "calibrate-ph",
            {},
            {"bottle phosphate": "phthalate", "bottle phthalate": "phosphate"},
            None,
            Cause.BUFFERS_SWAPPED,
        ),
        ("calibrate-ph", {}, {}, drifting, Cause.DRIFTING),
        (
            "calibrate-ph",
            {},
            {},
            lambda hands: setattr(hands.world.electrode, "slope_loss", 0.8),
            Cause.SLOPE,
        ),
        (
            "calibrate-ph",
            {},
            {},
            lambda hands: setattr(hands.world.electrode, "offset_error_mv", 75.0),
            Cause.OFFSET,
        ),
        (
            "calibrate-ph",
            {"buffers": ("phosphate",)},
            {},
            lambda hands: setattr(hands.world.electrode, "offset_error_mv", 45.0),
            Cause.OFFSET,
        ),
        ("calibrate-conductivity", {}, {"bubble": 0.7}, None, Cause.BUBBLE),
        ("calibrate-conductivity", {}, {"rattles": 0.05}, None, Cause.BUBBLE),
        ("calibrate-conductivity", {"standards": ("35", "28")}, {"cell-in 28": "cell-in 35"}, None, Cause.BUBBLE),
        (
            "calibrate-conductivity",
            {"standards": ("35", "28")},
            {"cell-in 28": "cell-in 35", "cell-in 35": "cell-in 28"},
            None,
            Cause.STANDARDS_SWAPPED,
        ),
        ("calibrate-conductivity", {}, {"cell-in 35": "cell-in 42"}, None, Cause.WRONG_STANDARD),
        ("calibrate-conductivity", {"together_s": 60.0}, {"beaker_c": 8.0}, None, Cause.NOT_AT_TEMPERATURE),
        ("calibrate-temperature", {}, {"off": 6.0}, None, Cause.DIFFERS),
        ("calibrate-pump", {"pump": "titrant"}, {}, air_while_running, Cause.AIR_IN_LINE),
        (
            "calibrate-pump",
            {"pump": "sample"},
            {},
            lambda hands: setattr(hands.world, "sample_line_air", 0.08),
            Cause.DIFFERS,
        ),
        (
            "calibrate-pump",
            {"pump": "sample"},
            {},
            lambda hands: setattr(hands.world.pumps["sample"], "stalled", True),
            Cause.AIR_IN_LINE,
        ),
        (
            "standardise",
            {"alkalinity_umol_kg": 3500.0, "u_umol_kg": 2.0},
            {},
            None,
            Cause.DIFFERS,
        ),
        (
            "standardise",
            {"alkalinity_umol_kg": 2200.0, "u_umol_kg": 2.0, "expires": "2025-01-01"},
            {},
            None,
            Cause.EXPIRED,
        ),
        ("change-bottle", {"expires": "2025-01-01"}, {}, None, Cause.EXPIRED),
    ],
)
def test_a_bad_outcome_is_refused_by_the_name_of_its_cause(procedure, options, mistakes, happens, cause):
    hands = keeper(reference=reference(), mistakes=dict(mistakes))
    before = hands.service.config
    if procedure == "calibrate-pump" and happens is not None and "stalled" in str(happens.__code__.co_consts):
        hands.at_key = lambda key: happens(hands) if key == "tare" else None
    elif happens is not None:
        happens(hands)
    with pytest.raises(RefusedError) as refused:
        hands.run(procedure, **options)

    assert refused.value.cause is cause, str(refused.value)
    assert refused.value.remedy
    assert hands.service.config == before
    (kept,) = calibrations.history(hands.service.store)
    assert kept.outcome == "refused"
    assert cause.value in kept.words
    hands.service.bench.wait(2.0)
    assert not any(head.moving() for head in hands.world.pumps.values())


def test_a_standard_that_comes_to_temperature_in_time_is_taken():
    hands = keeper(mistakes={"beaker_c": 21.0})
    found = hands.run("calibrate-conductivity")

    truths = hands.world.truths
    assert found["values"]["probes.conductivity.cell_factor"] == pytest.approx(1.0 / truths.conductivity, rel=0.006)


def test_a_line_that_ends_in_the_vessel_is_noticed_by_the_cell():
    hands = keeper(mistakes={"sample-line-out": "tubes-in"})
    hands.answers["collected"] = ["102.0"] * 3
    with pytest.raises(InterlockError, match="in the vessel"):
        hands.run("calibrate-pump", pump="sample")
    assert hands.stage.play.bound_held
    assert hands.world.spilled.spilled_ml == 0.0


# kill -9 ----------------------------------------------------------------------------------


ALL = {
    "calibrate-pump": {"pump": "sample"},
    "calibrate-ph": {},
    "calibrate-conductivity": {},
    "calibrate-temperature": {},
    "standardise": {"alkalinity_umol_kg": 2200.0, "u_umol_kg": 2.0},
    "change-bottle": {"lot": "1"},
    "prime": {"pump": "sample"},
    "park": {},
    "resume": {},
    "spike": {"added_umol_kg": 300.0},
}


@pytest.mark.parametrize("procedure", ALL)
@pytest.mark.parametrize("share", [0.2, 0.5, 0.8])
def test_a_process_killed_in_the_middle_leaves_the_earlier_calibration_and_a_safe_bench(procedure, share, tmp_path):
    hands = keeper(records=str(tmp_path / "records.sqlite"), reference=reference(), scenario=CELL_AS_FILED)
    hands.run("calibrate-temperature")
    earlier = hands.service.config.probes.temperature.offset_k
    whole = keeper(reference=reference(), scenario=CELL_AS_FILED)
    if procedure == "resume":
        hands.run("park")
        whole.run("park")
    began_s = hands.stage.clock.monotonic()
    start_s = whole.stage.clock.monotonic()
    whole.run(procedure, **ALL[procedure])
    dies_s = began_s + share * (whole.stage.clock.monotonic() - start_s)

    alive = [True]

    def die(now_s):
        if now_s >= dies_s and alive:
            alive.clear()
            hands.stage.computer.lose(powered=True)
            raise ProcessDeath

    hands.stage.clock.attach(die)
    with pytest.raises(ProcessDeath):
        hands.run(procedure, **ALL[procedure])
    hands.world.beaker, hands.world.source = None, None
    hands.world.collecting.clear()
    hands.stage.computer.start_again()
    assert not any(head.moving() for head in hands.world.pumps.values())

    service = hands.service
    assert service.config.probes.temperature.offset_k == earlier
    assert [kept.kind for kept in calibrations.in_force(service.store).values()] == [Kind.TEMPERATURE]
    try:
        service.round()
    except SalternError:
        service.bench.make_safe()
    hands.stage.close()
    assert hands.stage.play.bound_held
    assert hands.world.spilled.spilled_ml == 0.0


def test_a_tris_buffer_confirms_the_total_scale_and_tells_of_one_that_is_off():
    hands = keeper()
    with pytest.raises(RefusedError, match="no titration"):
        hands.run("check-tris")
    hands.service.operator(["hold", "0"])  # all is back
    hands.service.measure(Source.TANK)
    found = hands.run("check-tris")
    assert abs(found["statistics"]["off"]) < 0.02
    hands.mistakes["tris"] = 0.08
    with pytest.raises(RefusedError) as refused:
        hands.run("check-tris")
    assert refused.value.cause is Cause.OFFSET


def test_a_blank_is_nothing_where_nothing_titrates_and_an_impurity_is_found():
    def bottles(impurity):
        return {"inlet-in-high": carbonate(3000.0 + impurity), "inlet-in-low": carbonate(1500.0 + impurity)}

    hands = keeper(seed=12, bottles=bottles(0.0))
    found = hands.run("blank", high_umol_kg=3000.0, low_umol_kg=1500.0, times=2)
    assert abs(found["blank_umol_kg"]) < 3.0 * found["u_umol_kg"]
    assert found["u_umol_kg"] < 15.0
    hands = keeper(seed=12, bottles=bottles(60.0))
    with pytest.raises(RefusedError, match="blank"):
        hands.run("blank", high_umol_kg=3000.0, low_umol_kg=1500.0, times=2)


def test_small_doses_are_compared_with_one_run():
    hands = keeper()
    found = hands.run("calibrate-pump", pump="titrant", small_doses=12)
    assert abs(found["statistics"]["small_doses_percent"]) < 1.0
    assert "no more than chance" in found["remarks"][0]


def test_after_buffers_ph_is_provisional_for_half_an_hour():
    hands = keeper()
    hands.run("calibrate-ph")
    soon = hands.service.measure(Source.TANK)
    hands.service.bench.idle(1800.0)
    later = hands.service.measure(Source.TANK)

    assert soon.ph_total.verdict.value == "provisional"
    assert later.ph_total.verdict.value == "accepted"
    assert soon.alkalinity.verdict.value == "accepted"


def test_a_stop_ends_a_standardisation_at_once_and_the_bench_goes_on():
    hands = keeper(reference=reference())
    service = hands.service

    def stop(step):
        if step.phase == "titrate":
            service.bench.request_stop()

    service.watcher = stop
    with pytest.raises(StopRequested):
        hands.run("standardise", alkalinity_umol_kg=2200.0, u_umol_kg=1.0)
    service.watcher = lambda step: None
    service.bench.clear_stop()

    (only,) = service.store.results(10)
    assert [reason.value for reason in only[1].alkalinity.reasons] == ["stopped-by-operator"]
    assert "do not forget" in hands.said[-1].lower()
    hands.world.source = None
    service.operator(["hold", "0"])  # the inlet is back in the tank
    assert service.measure(Source.TANK).alkalinity.verdict.value == "accepted"


def test_after_a_procedure_that_broke_off_nothing_is_pumped_until_all_is_back():
    hands = keeper()
    hands.at_key = lambda key: hands.world.pumps["sample"].__setattr__("stalled", True) if key == "tare" else None
    with pytest.raises(RefusedError):
        hands.run("calibrate-pump", pump="sample")
    hands.world.pumps["sample"].stalled = False
    hands.world.collecting["sample"] = 0.0  # the line still hangs over the beaker
    hands.stage.play_until(hands.stage.clock.monotonic() + 9.0 * 3600.0)

    assert hands.world.collecting["sample"] == 0.0
    assert hands.service.store.results(1) == []
    assert "hands-at-the-bench" in {alert.code for alert in hands.service.raised}
    hands.world.collecting.clear()
    hands.service.operator(["hold", "0"])
    hands.stage.play_until(hands.stage.clock.monotonic() + 5.0 * 3600.0)
    assert len(hands.service.store.results(5)) >= 1
    assert "hands-at-the-bench" not in {alert.code for alert in hands.service.alerting.standing}


def test_a_process_that_dies_with_a_line_out_does_not_pump_when_it_starts_again(tmp_path):
    hands = keeper(records=str(tmp_path / "records.sqlite"))

    def die(key):
        if key == "tare" and hands.asked.count("tare") == 2:
            hands.stage.computer.lose(powered=True)
            raise ProcessDeath

    hands.at_key = die
    with pytest.raises(ProcessDeath):
        hands.run("calibrate-pump", pump="sample")
    hands.world.collecting["sample"] = 0.0
    hands.stage.computer.start_again()
    hands.stage.play_until(hands.stage.clock.monotonic() + 9.0 * 3600.0)

    assert hands.world.collecting["sample"] == 0.0
    assert hands.service.left_open() == "calibrate-pump"
    hands.stage.close()


def test_a_procedure_refused_before_its_first_question_leaves_nobody_at_the_bench():
    hands = keeper()
    hands.world.stop_pressed = True
    hands.service.bench.wait(1.0)
    with pytest.raises(InterlockError):
        hands.run("calibrate-pump", pump="sample")

    assert hands.asked == []
    assert hands.service.left_open() is None


def test_hands_that_an_earlier_procedure_left_there_stay_until_one_comes_to_its_end():
    hands = keeper()
    hands.mistakes["probes-in phosphate"] = "probes-in borax"
    with pytest.raises(RefusedError):
        hands.run("calibrate-ph", buffers=("phosphate", "phthalate"))
    hands.world.stop_pressed = True
    hands.service.bench.wait(1.0)
    with pytest.raises(InterlockError):
        hands.run("calibrate-pump", pump="sample")

    assert hands.service.left_open() == "calibrate-ph"
