"""From what the boards say to what it means, by the calibrations in the bench file."""

from datetime import datetime
from math import hypot

from saltern.chemistry.conductivity import undo_compensation
from saltern.chemistry.electrode import nernst_slope_mv
from saltern.chemistry.endpoint.curve import Estimate
from saltern.chemistry.seawater import practical_salinity
from saltern.config.tables import BenchConfig, PhProbe
from saltern.procedures.titre import titre_at

NBS_MINUS_TOTAL_PH = 0.13
"""What an electrode calibrated in dilute buffers reads in seawater above the total scale, about: the free scale
lies 0.11 above it at S 35 and 25 degC, and the activity and junction terms nearly cancel. Common practice."""

NBS_MINUS_TOTAL_U_PH = 0.08
"""Standard uncertainty of that difference: the junction shift of an electrode is its own, some hundredths and more."""


def calibrated_options(config: BenchConfig, at: datetime) -> dict[str, float | None]:
    """Return the options, by dotted name, that a result depends on and that calibrations give, as they are then."""
    pumps, ph, cell = config.pumps, config.probes.ph, config.probes.conductivity
    titre = titre_at(config.titre, at)
    return {
        "pumps.sample.ml_per_unit": pumps.sample.ml_per_unit,
        "pumps.titrant.ml_per_unit": pumps.titrant.ml_per_unit,
        "probes.ph.e7_mv": ph.e7_mv,
        "probes.ph.slope_percent": ph.slope_percent,
        "probes.conductivity.cell_factor": cell.cell_factor,
        "probes.conductivity.cell_offset_ms_cm": cell.cell_offset_ms_cm,
        "probes.temperature.offset_k": config.probes.temperature.offset_k,
        "titrant.concentration_mol_per_l": config.titrant.concentration_mol_per_l,
        "titre.factor": config.titre.factor if titre is None else titre.factor,
        "titre.u_percent": config.titre.u_percent,
    }


def e0_from_calibration(probe: PhProbe, temperature_c: float) -> Estimate:
    """Return what the buffers let one expect of the potential at pH 0 on the total scale, mV.

    The calibration pivots at pH 7, so the slope's uncertainty acts over seven units of pH.
    """
    mv_per_ph = nernst_slope_mv(temperature_c) * probe.slope_percent / 100.0
    e0_mv = probe.e7_mv + mv_per_ph * (7.0 - NBS_MINUS_TOTAL_PH)
    slope_u_mv = nernst_slope_mv(temperature_c) * probe.slope_u_percent / 100.0
    return Estimate(e0_mv, hypot(probe.e7_u_mv, mv_per_ph * NBS_MINUS_TOTAL_U_PH, 7.0 * slope_u_mv))


def ph_nbs(probe: PhProbe, emf_mv: float, temperature_c: float) -> float:
    """Return the pH that a meter calibrated in the same buffers would show, NBS scale."""
    mv_per_ph = nernst_slope_mv(temperature_c) * probe.slope_percent / 100.0
    return 7.0 - (emf_mv - probe.e7_mv) / mv_per_ph


def sample_salinity(config: BenchConfig, board_ms_cm: float, temperature_c: float) -> Estimate:
    """Return the practical salinity of the sample from what the conductivity board sent.

    The board's own temperature compensation is undone before the salinity is computed; the uncertainty
    is that of the cell's calibration and of the temperature, by finite differences.
    """
    probe, temperature = config.probes.conductivity, config.probes.temperature
    table = probe.compensation

    def salinity(ms_cm: float, t_c: float) -> float:
        raw = undo_compensation(
            ms_cm,
            t_c,
            kind=table.kind,
            alpha_percent_per_k=table.alpha_percent_per_k,
            reference_c=table.reference_c,
        )
        return float(practical_salinity(raw * probe.cell_factor + probe.cell_offset_ms_cm, t_c))

    value = salinity(board_ms_cm, temperature_c)
    by_cell = salinity(board_ms_cm * (1.0 + probe.u_percent / 100.0), temperature_c) - value
    by_temperature = salinity(board_ms_cm, temperature_c + temperature.u_k) - value
    return Estimate(value, hypot(by_cell, by_temperature))
