"""The titre factor as it is at the time of a determination, and what its error has in common with other results."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from math import exp, hypot, sqrt

from saltern.config.tables import Titre
from saltern.model.calibration import Value
from saltern.model.parts import WALKS
from saltern.quality.scatter import Scatter
from saltern.quality.titre_filter import DAYS_A_MONTH, TitreState, aged

FACTOR, AGE = "titre factor", "age of the titre factor"
SECONDS_A_DAY = 86400.0


@dataclass(frozen=True)
class TitreNow:
    """The factor at one moment.

    Parameters
    ----------
    factor
        What to multiply a result with.
    percent
        Its relative standard uncertainty by source, for the budget.
    epochs
        The same by the identity of what is shared, with its sign.
    """

    factor: float
    percent: Mapping[str, float]
    epochs: Mapping[str, float]


def titre_at(titre: Titre, at: date | None, number: int | None = None) -> TitreNow | None:
    """Return the factor at a time, or None where the bench was never standardised.

    Parameters
    ----------
    titre
        As the bench file, or the calibration in force, has it.
    at
        The time, or a day; None: as it stands.
    number
        Of the calibration in force, by which results of one epoch are known.
    """
    if titre.u_percent is None:
        return None
    course, name = titre.course, f"{FACTOR} {'of the bench file' if number is None else number}"
    if course is None:
        percent, epochs = {FACTOR: titre.u_percent}, {name: titre.u_percent}
        if at is not None and titre.calibrated_on is not None:
            months = max(0.0, (_day(at) - titre.calibrated_on).days / DAYS_A_MONTH)
            percent[AGE] = titre.drift_percent_per_month * months / sqrt(3.0)
            epochs[f"rate of {name}"] = percent[AGE]
        return TitreNow(titre.factor, percent, epochs)
    days = 0.0 if at is None else max(0.0, (_moment(at) - course.at).total_seconds() / SECONDS_A_DAY)
    then = state_of(titre)
    now = aged(then, days, titre.drift_percent_per_month)
    straight = aged(TitreState(1.0, 0.0, 0.0, u_rate=0.0), days, titre.drift_percent_per_month)
    by_rate = 100.0 * days * then.u_rate
    return TitreNow(
        now.factor,
        {
            FACTOR: 100.0 * hypot(then.u, then.u_reference),
            AGE: 100.0 * sqrt(max(0.0, now.u**2 - then.u**2)),
        },
        {
            name: 100.0 * then.u + by_rate * course.correlation,
            f"rate of {name}": by_rate * sqrt(1.0 - course.correlation**2),
            f"{WALKS}{name}": 100.0 * straight.u,
            f"reference {course.reference or 'of ' + name}": 100.0 * then.u_reference,
        },
    )


def state_of(titre: Titre) -> TitreState:
    """Return the state of a factor whose course is known, as it was when it was found."""
    course = titre.course
    if course is None:
        return TitreState(titre.factor, (titre.u_percent or 0.0) / 100.0, 0.0)
    u, u_rate = course.u_percent / 100.0, course.rate_u_percent_per_month / 100.0 / DAYS_A_MONTH
    return TitreState(
        titre.factor,
        u,
        course.reference_u_percent / 100.0,
        course.rate_percent_per_month / 100.0 / DAYS_A_MONTH,
        u_rate,
        course.correlation * u * u_rate,
    )


def with_course(values: Mapping[str, Value], statistics: Mapping[str, float], at: datetime) -> dict[str, Value]:
    """Return the options of a record; one from before a rate was followed has the rate that nothing is known of."""
    factor, on = values.get("titre.factor"), values.get("titre.calibrated_on")
    if "titre.course.at" in values or "u_state" not in statistics or not isinstance(factor, float):
        return dict(values)
    since = datetime.combine(date.fromisoformat(on), time(), UTC) if isinstance(on, str) else at
    known = values_of(TitreState(factor, statistics["u_state"], statistics["u_reference"]), since, "")
    return {**known, **values}


def values_of(state: TitreState, at: datetime, reference: str) -> dict[str, Value]:
    """Return the options of the bench file that say a state."""
    both = state.u * state.u_rate
    return {
        "titre.factor": state.factor,
        "titre.u_percent": state.u_percent,
        "titre.calibrated_on": at.date().isoformat(),
        "titre.course.at": at.isoformat(timespec="seconds"),
        "titre.course.u_percent": 100.0 * state.u,
        "titre.course.rate_percent_per_month": 100.0 * DAYS_A_MONTH * state.rate,
        "titre.course.rate_u_percent_per_month": 100.0 * DAYS_A_MONTH * state.u_rate,
        "titre.course.correlation": max(-1.0, min(1.0, state.covariance / both)) if both > 0.0 else 0.0,
        "titre.course.reference": reference,
        "titre.course.reference_u_percent": 100.0 * state.u_reference,
    }


def scatter_of(titre: Titre) -> Scatter | None:
    """Return what determinations scatter by, or None where no replicates were measured."""
    return None if titre.scatter_percent is None else Scatter(titre.scatter_percent / 100.0, titre.scatter_freedom)


def values_of_scatter(scatter: Scatter) -> dict[str, Value]:
    """Return the options of the bench file that say it."""
    return {"titre.scatter_percent": 100.0 * scatter.sd, "titre.scatter_freedom": scatter.freedom}


def factor_of(options: Mapping[str, object], at: datetime) -> float | None:
    """Return the factor that a calibration's options give a determination of some time; before it, as it was found."""
    factor, since = options.get("titre.factor"), options.get("titre.course.at")
    if not isinstance(factor, float | int):
        return None
    if not isinstance(since, str):
        return float(factor)
    days = max(0.0, (at - datetime.fromisoformat(since)).total_seconds() / SECONDS_A_DAY)
    return float(factor) * exp(rate_of(options) / 100.0 / DAYS_A_MONTH * days)


def rate_of(options: Mapping[str, object]) -> float:
    """Return how a calibration's factor goes on, percent a month; zero where the calibration follows no rate."""
    rate = options.get("titre.course.rate_percent_per_month")
    return float(rate) if isinstance(rate, float | int) else 0.0


def _day(at: date) -> date:
    return at.date() if isinstance(at, datetime) else at


def _moment(at: date) -> datetime:
    return at if isinstance(at, datetime) else datetime.combine(at, time(), UTC)
