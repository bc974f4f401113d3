"""The probes in air, in water and in a buffer, each alone and beside what may disturb it."""

from contextlib import suppress

from saltern.bench.bench import Bench
from saltern.model.calibration import Cause, Kind
from saltern.ports import DriverError
from saltern.procedures.bring_up.site import Found, Site, StepRefusedError
from saltern.procedures.bring_up.water import wet_well
from saltern.procedures.notebook import Notebook
from saltern.procedures.vessel import empty

LOOP_MV = 3.0
"""An electrode that is at rest and well isolated moves by less when a motor starts; a ground loop moves it by ten and
more (common practice)."""

OFF_MV = 60.0
"""One unit of pH: a sound electrode stands within half of that in a buffer of 6.86."""

SETTLES_LAGS, DISTURBED_S, PUMPED_S = 10.0, 2.0, 6.0


def probes(site: Site) -> Found:
    """Hold each probe against what it must say, then switch on what may disturb it."""
    bench, prompts, notebook = site.bench, site.prompts, Notebook(site.bench)
    wet_well(bench, notebook)
    empty(bench, notebook)  # air: a drain is proved by the cell alone
    wet_well(bench, notebook)  # water: it raises where the cell stays dry
    temperature_c = bench.temperature_c()
    bench.readings.wait_for_rest_mv(bench.config.probes.ph.lag_s)
    quiet_mv = bench.readings.steady_emf_mv()
    statistics = {"temperature_c": temperature_c, "quiet_mv": quiet_mv}

    bench.stir(bench.config.stirrer.titrate_speed)
    try:
        bench.wait(DISTURBED_S)
        stirred_mv = bench.readings.steady_emf_mv()
    finally:
        bench.stir(0.0)
    bench.wait(DISTURBED_S)
    between_mv = bench.readings.steady_emf_mv()
    statistics["stirrer_mv"] = _shift_mv(stirred_mv, quiet_mv, between_mv)
    _demand_still(statistics["stirrer_mv"], "the stirrer's motor is on")

    pumped_mv = _while_pumping_mv(bench)
    bench.wait(DISTURBED_S)
    before_mv, between_mv = between_mv, bench.readings.steady_emf_mv()
    if pumped_mv is not None:  # a board that is slow, or sends pH, says nothing meanwhile
        statistics["pump_mv"] = _shift_mv(pumped_mv, before_mv, between_mv)
        _demand_still(statistics["pump_mv"], "the waste pump's motor is on")

    prompts.confirm("unplug conductivity", "Pull the conductivity board's cable: the electrode must be connected alone")
    alone_mv = bench.readings.steady_emf_mv()
    prompts.confirm("plug conductivity", "Put the conductivity board's cable back")
    bench.look_at_ports()
    bench.conductivity_ms_cm()
    statistics["alone_mv"] = _shift_mv(alone_mv, between_mv, bench.readings.steady_emf_mv())
    _demand_still(statistics["alone_mv"], "the other probe is beside it")

    prompts.confirm("probes-in phosphate", "Rinse the probes, and put them into the neutral buffer, pH 6.86")
    bench.wait(SETTLES_LAGS * bench.config.probes.ph.lag_s)
    buffer_mv = statistics["buffer_mv"] = bench.readings.steady_emf_mv()
    prompts.confirm("probes-back", "Rinse the probes, and put them back into the vessel")
    off_mv = buffer_mv - bench.config.probes.ph.e7_mv
    if abs(off_mv) > OFF_MV:
        raise StepRefusedError(
            Kind.BRING_UP_PROBES,
            Cause.WRONG_BUFFER,
            f"in the neutral buffer the electrode gives {buffer_mv:.0f} mV, {off_mv:+.0f} mV from where pH 7 stands: "
            f"that is about pH {7.0 - off_mv / 59.0:.1f}",
            "Check the bottle's label; if it is the right one, check the electrode's plug, polarity and age",
        )
    empty(bench, notebook)
    return Found("cell and electrode say what they stand in, and nothing disturbs them", statistics=statistics)


def _while_pumping_mv(bench: Bench) -> float | None:
    """Turn the waste pump for some seconds, and return the mean of what the electrode says meanwhile, or None.

    Nothing waits while a pump turns: the board is asked, and looked at again at the next scan. What goes to waste is in
    the vessel's bound still, and is booked as waste when that is drained.
    """
    board, heard = bench.devices.probes["ph"], list[float]()

    def listen() -> bool:
        with suppress(DriverError):  # a bad answer is none
            board.request()
            reading = board.poll()
            if reading is not None and reading.unit == "mV":
                heard.append(reading.value)
        return False

    bench.motion.turn("waste", PUMPED_S * bench.devices.pumps["waste"].rate, until=listen)
    return sum(heard) / len(heard) if heard else None


def _shift_mv(other_mv: float, before_mv: float, after_mv: float) -> float:
    """Return by how much a signal differed meanwhile; an even drift is no difference."""
    return other_mv - 0.5 * (before_mv + after_mv)


def _demand_still(shift_mv: float, while_: str) -> None:
    if abs(shift_mv) > LOOP_MV:
        raise StepRefusedError(
            Kind.BRING_UP_PROBES,
            Cause.GROUND_LOOP,
            f"the electrode's signal differs by {shift_mv:+.0f} mV when {while_}: a ground loop",
            "Isolate each probe's board and its supply (hardware/README.md), and keep motor cables away",
        )
