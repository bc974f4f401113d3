"""The tank's side of a scenario: a keeper who writes things down, and what the records knew at each midnight.

What is printed stood so at its time: it is asked for then, and nothing that came later is let in.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from functools import partial
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from saltern.chemistry.endpoint.curve import Estimate
from saltern.chemistry.supplements import Salt, ml_for
from saltern.chemistry.units import umol_kg_to_dkh
from saltern.cli.simulated_computer import post
from saltern.clock import Clock
from saltern.config.tables import BenchConfig
from saltern.config.tank import DoserTable, SupplementTable, TankTable
from saltern.errors import ConfigError
from saltern.model.logbook import Dose, OtherTest, WaterChange
from saltern.records.store import Store
from saltern.records.tank_history import Known, known
from saltern.running.circumstances import circumstances
from saltern.running.service import Service
from saltern.running.tank_picture import look_at, pictured
from saltern.tank.advice import TRUSTED_FOR_D, Advice, Withheld
from saltern.tank.consumption import Consumption
from saltern.tank.findings import Ask, Finding

if TYPE_CHECKING:
    from saltern_drivers.twin.scenario import EventTable, Play, Scenario

FIRST_DAY = (2026, 3, 2)
SUPPLEMENT = "scenario-stock"
STOCK = SupplementTable(salt=Salt.BICARBONATE, g_per_l=80.0)
"""What a scenario's keeper doses; scenarios speak of dKH, and its strength does not matter."""

DAY_S, HOUR_S = 86400.0, 3600.0
OBEYS_AT_H = 8.0
EARLY_DAYS = 3
MARGIN_DKH = 0.5
"""Between a target and the band's ends, where the bench file has a band that does not hold the target."""

TRY_AGAIN_S = 600.0


def begins_at(config: BenchConfig) -> datetime:
    """Return the wall clock at 0 h: midnight where the bench stands."""
    return datetime(*FIRST_DAY, tzinfo=ZoneInfo(config.schedule.time_zone)).astimezone(UTC)


def tank_table(scenario: Scenario, config: BenchConfig) -> TankTable:
    """Return the bench file's table of the tank, as a scenario's keeper would have written it."""
    said, filed = scenario.tank, config.tank or TankTable(volume_l=scenario.tank.volume_l)
    target = filed.target_dkh if said.target_dkh is None else said.target_dkh
    table = filed.model_copy(
        update={
            "volume_l": said.volume_l,
            "temperature_c": said.temperature_c,
            "target_dkh": target,
            "low_dkh": min(filed.low_dkh, target - MARGIN_DKH),
            "high_dkh": max(filed.high_dkh, target + MARGIN_DKH),
            "supplements": {**filed.supplements, SUPPLEMENT: STOCK},
            "doser": (),
        }
    )
    return _with_doser(table, begins_at(config), said.dosed_dkh_per_day)


def _with_doser(tank: TankTable, since: datetime, dkh_per_day: float) -> TankTable:
    ml_per_day = ml_for(STOCK.named(SUPPLEMENT), dkh_per_day, tank.volume_l)
    new = DoserTable(since=since, supplement=SUPPLEMENT, ml_per_day=ml_per_day)
    return tank.model_copy(update={"doser": tuple(sorted((*tank.doser, new), key=lambda each: each.since))})


class ReefKeeper:
    """Writes down what the keeper did, and asks the records what they know.

    Parameters
    ----------
    scenario, config, play, clock
        What is played. Nothing is asked where the scenario says nothing of the tank.
    serving
        Returns the service that runs, or None while the computer is down.
    standardise
        Measures the keeper's reference.
    """

    def __init__(
        self,
        scenario: Scenario,
        config: BenchConfig,
        play: Play,
        clock: Clock,
        serving: Callable[[], Service | None],
        standardise: Callable[[], None],
    ) -> None:
        self._config, self._play, self._clock, self._serving = config, play, clock, serving
        self._standardise, self._answers_h = standardise, scenario.keeper.answers_diagnose_h
        self._tank = config.tank if scenario.keeps_a_tank else None
        self._reported: list[Finding] = []
        self._next = 1
        self._looked_d = -1.0
        self._advised: Advice | None = None
        self._daily: list[dict[str, Any]] = []
        self._findings: list[dict[str, Any]] = []
        self._advice: list[dict[str, Any]] = []
        if self._tank is None:
            return
        play.note = self.note
        for day in range(1, int(scenario.days) + 1):
            midnight_s = day * DAY_S - clock.monotonic()
            clock.call_later(midnight_s, partial(self._midnight, day))
            if scenario.keeper.follows_advice:
                clock.call_later(midnight_s + OBEYS_AT_H * HOUR_S, self._obey)

    def as_json(self) -> dict[str, Any]:
        """Return what is printed under "tank"."""
        return {"daily": self._daily, "findings": self._findings, "advice": self._advice}

    @property
    def table(self) -> TankTable | None:
        """Return the bench file's table of the tank as the keeper has it by now; None where there is none."""
        return self._tank

    # What the keeper does ---------------------------------------------------------------

    def note(self, event: EventTable) -> None:
        """Write down what was done, with the time when it was done: in the log, or of a doser in the bench file."""
        done = self._clock.now() - timedelta(seconds=self._clock.monotonic() - event.at_h * HOUR_S)
        if self._tank is None:
            return
        if event.kind == "dosing":
            self._tank = _with_doser(self._tank, done, event.dkh_per_day or 0.0)
            return
        entry: Dose | WaterChange
        if event.kind == "dose":
            ml = ml_for(STOCK.named(SUPPLEMENT), event.dkh or 0.0, self._tank.volume_l)
            entry = Dose(chemical=SUPPLEMENT, amount=ml)
        else:
            salinity = self._play.scenario.tank.salinity if event.salinity is None else event.salinity
            dkh = umol_kg_to_dkh(event.alkalinity_umol_kg or 0.0, salinity)
            entry = WaterChange(litres=event.litres or 0.0, alkalinity_dkh=dkh, salinity=salinity)
        self._write(entry, done)

    def _write(self, entry: Dose | WaterChange | OtherTest, done: datetime) -> None:
        """Write it into the log of the service that runs, as soon as one does."""
        service = self._serving()
        if service is None:
            self._clock.call_later(TRY_AGAIN_S, partial(self._write, entry, done))
            return
        service.mailbox.put_for_records(partial(service.store.log, entry, done))

    def answer(self, ask: Ask) -> None:
        """Do the measurement that a finding asks for."""
        service = self._serving()
        if service is None:
            self._clock.call_later(TRY_AGAIN_S, partial(self.answer, ask))
        elif ask is Ask.REFERENCE:
            self._standardise()
        elif ask is Ask.REPEAT:
            post(service, ["measure"])
        elif ask is Ask.KIT_TEST:
            shown = OtherTest(quantity="alkalinity_dkh", value=self._play.kit_test_dkh(), method="colour kit")
            self._write(shown, self._clock.now())
        elif ask is not Ask.WAIT:
            raise ConfigError(
                f"the scenario's keeper does not know how to do {ask.value}",
                where="keeper.answers_diagnose_h",
                remedy="Leave it out, and write the measurement as an [[operator]]",
            )

    def _obey(self) -> None:
        """Set the doser as the newest advice says, and write that down."""
        word = self._advised
        if self._tank is None or word is None or word.dose_dkh_per_day is None:
            return
        dkh_per_day = round(max(0.0, word.dose_dkh_per_day + (word.correction_dkh_per_day or 0.0)), 3)
        self._play.set_doser(dkh_per_day)
        self._tank = _with_doser(self._tank, self._clock.now(), dkh_per_day)

    # What the records know --------------------------------------------------------------

    def look(self) -> None:
        """Check each result that has come since the last time; report findings, and what to dose then."""
        store = self._store()
        if store is None or store.next_id() == self._next:
            return
        self._next = store.next_id()
        found = self._known()
        if found is None or self._tank is None:
            return
        new = [each.at_d for each in found.history.seen if each.at_d > self._looked_d]
        before = len(self._reported)
        around = circumstances(store, self._config, self._tank, found, self._clock.now())
        for at_d in new:
            self._looked_d = at_d
            finding = look_at(found, at_d, self._reported, around)
            if finding is not None:
                self._reported.append(finding)
                self._findings.append(self._finding_json(finding, found))
                if finding.ask is not None and self._answers_h is not None:
                    self._clock.call_later(self._answers_h * HOUR_S, partial(self.answer, finding.ask))
        if len(self._reported) > before:
            self._advise(pictured(found, self._tank, self._clock.now(), self._reported).advice)

    def _midnight(self, day: int) -> None:
        """Keep what stands at the end of a day, whoever looks at it later."""
        if self._store() is None:  # nothing comes in meanwhile, and the truth of the day is kept
            self._clock.call_later(TRY_AGAIN_S, partial(self._midnight, day))
            return
        self.look()
        found, taken = self._known(), None
        if found is None or self._tank is None:
            self._advise(Advice(None, None, None, 0, Withheld.TOO_EARLY, None))
        else:
            picture = pictured(found, self._tank, self._clock.now(), self._reported)
            if picture.now_d - found.history.seen[-1].at_d <= TRUSTED_FOR_D:
                taken = picture.consumption
            self._advise(picture.advice)
        self._daily.append(_day_json(day, taken, self._play.of_day(day)))

    def _store(self) -> Store | None:
        service = self._serving()
        return None if service is None else service.store

    def _known(self) -> Known | None:
        store = self._store()
        if store is None or self._tank is None:
            return None
        return known(store, self._config, self._tank, self._clock.now())

    def _advise(self, word: Advice) -> None:
        self._advised = word
        self._advice.append(
            {
                "at_h": self._hours(),
                "dose_dkh_per_day": word.dose_dkh_per_day,
                "correction_dkh": word.correction_dkh,
                "withheld_because": None if word.withheld_because is None else word.withheld_because.value,
            }
        )

    def _finding_json(self, finding: Finding, found: Known) -> dict[str, Any]:
        first_h = (found.midnight - begins_at(self._config)).total_seconds() / HOUR_S
        words: dict[str, Any] = finding.as_json()
        return words | {"at_h": self._hours(), "since_h": round(first_h + 24.0 * finding.since_d, 4)}

    def _hours(self) -> float:
        return round(self._clock.monotonic() / HOUR_S, 4)


def _day_json(day: int, taken: Consumption | None, truth: dict[str, float]) -> dict[str, Any]:
    """Return a day's entry; nothing is said too early, or while results are not trusted."""
    said: dict[str, Estimate | None] = dict.fromkeys(truth)
    if taken is not None and not (taken.too_early and day <= EARLY_DAYS):
        week, past = taken.windows[7.0], taken.windows[1.0]
        said = {
            "consumption_dkh_per_day": week.consumption_dkh_per_day,
            "net_dkh_per_day": week.net_dkh_per_day,
            "alkalinity_dkh": past.alkalinity_dkh,
        }
    return {"day": day} | {
        name: {
            "value": None if found is None else found.value,
            "u": None if found is None else found.u,
            "truth": truth[name],
        }
        for name, found in said.items()
    }
