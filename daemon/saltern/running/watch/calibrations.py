"""Calibrations: how old they are, and what the balance says of the sample pump."""

from collections.abc import Iterator, Sequence
from datetime import date
from statistics import median

from saltern.config.tables import BenchConfig
from saltern.model.determination import Determination
from saltern.running.watch.watched import Watched

WEIGHED_RESULTS, WEIGHED_OFF_PERCENT = 10, 3.0
"""So many fills by weight, and the gain is known; three percent of a tube's gain ask for a look (common practice)."""


def of_calibrations(config: BenchConfig, today: date) -> Iterator[Watched]:
    """Check the dates of calibrations, where the bench file gives them."""
    days = config.alerts.calibration_days
    for name, on in calibrated_on(config).items():
        old = on is not None and (today - on).days > days
        yield Watched(
            old,
            f"calibration-stale-{name}",
            f"{name} was last calibrated on {on}, more than {days:g} days ago: calibrate it again",
        )


def of_weighed(config: BenchConfig, past: Sequence[Determination]) -> Iterator[Watched]:
    """Check what the balance says of the sample pump: each fill calibrates it, and a tube's wear shows here first."""
    gains = [gain for d in past if (gain := d.calibrated.get("weighed.sample_ml_per_unit")) is not None]
    off_percent = 100.0 * (median(gains) / config.pumps.sample.ml_per_unit - 1.0) if gains else 0.0
    enough = len(gains) >= WEIGHED_RESULTS
    yield Watched(
        enough and abs(off_percent) > WEIGHED_OFF_PERCENT,
        "sample-pump-worn",
        f"by weight the sample pump gives {off_percent:+.1f} % against its calibration: check its tube, calibrate it",
    )


def calibrated_on(config: BenchConfig) -> dict[str, date | None]:
    """Return the date of each calibration; None where the bench file gives none."""
    pumps, probes = config.pumps, config.probes
    return {
        "sample-pump": pumps.sample.calibrated_on,
        "waste-pump": pumps.waste.calibrated_on,
        "titrant-pump": pumps.titrant.calibrated_on,
        "ph-probe": probes.ph.calibrated_on,
        "conductivity-probe": probes.conductivity.calibrated_on,
        "temperature-probe": probes.temperature.calibrated_on,
        "titre": config.titre.calibrated_on,
    }


def calibrations(config: BenchConfig) -> list[tuple[str, str, str]]:
    """Return each calibration in words: what, its value, its date or that none is given."""
    pumps, probes, titre = config.pumps, config.probes, config.titre
    values = {
        "sample-pump": f"{pumps.sample.ml_per_unit:.6g} mL a unit, u {pumps.sample.gain_u_percent:g} %",
        "waste-pump": f"{pumps.waste.ml_per_unit:.6g} mL a unit, u {pumps.waste.gain_u_percent:g} %",
        "titrant-pump": f"{pumps.titrant.ml_per_unit:.6g} mL a unit, u {pumps.titrant.gain_u_percent:g} %",
        "ph-probe": f"slope {probes.ph.slope_percent:g} %, {probes.ph.e7_mv:+g} mV at pH 7",
        "conductivity-probe": f"factor {probes.conductivity.cell_factor:g}, u {probes.conductivity.u_percent:g} %",
        "temperature-probe": f"offset {probes.temperature.offset_k:+g} K, u {probes.temperature.u_k:g} K",
        "titre": f"factor {titre.factor:g}, "
        + ("never standardised" if titre.u_percent is None else f"u {titre.u_percent:g} %"),
    }
    dates = calibrated_on(config)
    return [(name, value, str(dates[name] or "date not given")) for name, value in values.items()]
