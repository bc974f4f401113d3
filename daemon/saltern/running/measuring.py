"""A determination, from the request to the records."""

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from statistics import median_low

import structlog

from saltern.bench.bench import Bench
from saltern.bench.gate import Purpose
from saltern.chemistry.endpoint.curve import Estimate, Medium
from saltern.chemistry.endpoint.departures import ANY_BEND_MV
from saltern.chemistry.units import dkh_to_umol_kg
from saltern.errors import StorageError
from saltern.model.calibration import Kind
from saltern.model.determination import Determination, Quantity, Source
from saltern.model.verdict import Reason, Verdict
from saltern.ports import Clock
from saltern.procedures.determination import Expectation, determine
from saltern.procedures.standardise import StandardiseOptions
from saltern.procedures.titre import titre_at
from saltern.quality.carbon_balance import unseen_acids
from saltern.quality.drain_witness import UsualDrains
from saltern.quality.history import (
    CONFIRMED_FROM,
    LEAST_RESULTS,
    MOST_RESULTS,
    history_of,
    usual_bend,
    usual_loss,
)
from saltern.quality.judge import asked_again, confirmed
from saltern.quality.part_settling import NewPart, Settling
from saltern.quality.usual_level import MOST_RESULTS as MOST_LEVELS
from saltern.records.as_json import determination_json
from saltern.records.calibrations import doubted, in_force
from saltern.records.store import Store
from saltern.records.upkeep import installed, tube_changed_since
from saltern.running.alerting import Alerting
from saltern.running.anchoring import anchored, supported, surprising
from saltern.running.at_work import AtWork, Hears
from saltern.running.probes import Probes
from saltern.running.standing_again import looked_at
from saltern.running.start_rules import StartRules
from saltern.running.upkeep import Upkeep
from saltern.running.watch.bands import after_doubt, of_bands
from saltern.running.watch.calibrations import WEIGHED_RESULTS, of_weighed
from saltern.running.watch.outcome import of_outcome
from saltern.running.watch.parts import settling
from saltern.running.watch.silence import NoResult

LATELY = 7
"""How long a determination takes is the median of so many: the first after a start is longer, and says little."""

IN_DOUBT_FOR_S = 86000.0
"""A bench that stays in doubt is asked again once a day: two determinations may then settle what one was spoilt for,
and one a day more costs little titrant (a day, less the minutes by which a schedule comes early)."""

PAIRS_AT_FIRST = 2
"""So many pairs are tried before that: of a true change, chance may spoil one of the first two determinations."""

AFTER_BUFFERS = timedelta(minutes=30)
"""After buffers of low ionic strength a junction needs 15 to 30 minutes in seawater (common practice)."""


class Measuring:
    """Owns since when the bench is in doubt, and results that the disk has not taken yet.

    Parameters
    ----------
    bench, store, clock, alerting, at_work, hears
        The bench, its records, the time, where alerts are raised, what is under way, and who hears of a result.
    start_rules, probes, upkeep, no_result
        What else takes up a run: its begin, how it left the probes, what the pumps turned, and that it came.
    ending
        Whether the service is to end: then nothing is measured again.
    """

    def __init__(
        self,
        bench: Bench,
        store: Store,
        clock: Clock,
        alerting: Alerting,
        at_work: AtWork,
        hears: Hears,
        start_rules: StartRules,
        probes: Probes,
        upkeep: Upkeep,
        no_result: NoResult,
        ending: Callable[[], bool],
    ) -> None:
        self._bench, self._store, self._clock, self._alerting = bench, store, clock, alerting
        self._at_work, self._hears, self._ending = at_work, hears, ending
        self._start_rules, self._probes, self._upkeep, self._no_result = start_rules, probes, upkeep, no_result
        self.carry_out = determine
        """How a determination is carried out: a simulation may have a way without pumps."""
        self._in_doubt_since_s: float | None = None
        self._pairs_in_vain = 0
        self._drains = UsualDrains()
        self._unkept: list[Determination] = []
        self._log = structlog.get_logger("saltern").bind(bench=bench.config.name)

    def measure(self, source: Source) -> Determination:
        """Carry out one determination; where it is suspect by what chance may do, or the first of all, ask once more.

        What two determinations agree on is not unexpected: the second is then accepted, or provisional, where neither
        tank nor log explains the step. The first stays suspect. A bench that is in doubt after two such pairs is not
        asked again before a day has passed: that would only use up titrant.
        """
        now_s = self._clock.monotonic()
        lately = self._in_doubt_since_s is not None and now_s - self._in_doubt_since_s < IN_DOUBT_FOR_S
        in_doubt = lately and self._pairs_in_vain >= PAIRS_AT_FIRST
        with self._bench.gate.through(Purpose.ASKED):

            def follows(d: Determination) -> bool:
                return asked_again(d.alkalinity) and not in_doubt and not self._ending()

            unusual_from = None if in_doubt else CONFIRMED_FROM
            first = outcome = self._measure_once(source, self._surprising, unusual_from=unusual_from, follows=follows)
            if follows(first):
                reasons = [reason.value for reason in first.alkalinity.reasons]
                self._log.info("determination.asked_again", reasons=reasons)
                outcome = self._measure_once(source, lambda d: _knowing(first, self._supported(d)))
        if outcome.alkalinity.verdict is not Verdict.SUSPECT:
            self._in_doubt_since_s, self._pairs_in_vain = None, 0
        elif not in_doubt:
            self._in_doubt_since_s = now_s
            self._pairs_in_vain += 1
        return outcome

    def measure_reference(self, reference: StandardiseOptions) -> Determination:
        """Carry out one determination of a water of known alkalinity; the past of other references does not count."""
        factor = self._bench.config.titre.factor
        known = Estimate(reference.alkalinity_umol_kg / factor, 0.1 * reference.alkalinity_umol_kg)
        loss = usual_loss(self._store.reportable(Source.TANK, MOST_RESULTS))
        return self._measure_once(
            Source.REFERENCE,
            lambda d: d,
            Expectation(known, loss, bend_mv=ANY_BEND_MV),
            Medium(reference.medium),
            alone=False,
        )

    def measure_within(self, source: Source) -> Determination:
        """Carry out one determination that is part of a guided procedure."""
        return self._measure_once(source, lambda d: d, alone=False)

    def _measure_once(
        self,
        source: Source,
        judged: Callable[[Determination], Determination],
        expectation: Expectation | None = None,
        medium: Medium = Medium.SEAWATER,
        *,
        unusual_from: float | None = None,
        follows: Callable[[Determination], bool] = lambda _: False,
        alone: bool = True,
    ) -> Determination:
        """Carry out one determination, keep it, and raise what the keeper should know of it.

        Within a guided procedure it is not alone: whoever guides sees it, and what is under way is the procedure.
        `follows` says of the outcome whether another one follows, to confirm it; `unusual_from` is that of
        `_expectation`.
        """
        number = self._store.next_id()
        if source is Source.TANK:
            self._start_rules.begins()
        if alone:
            self._at_work.begin(source, number, self._clock.monotonic(), self._usual_s())
        expected = expectation or self._expectation(source, unusual_from)
        with structlog.contextvars.bound_contextvars(determination=number):
            self._log.info("determination.started", source=source.value)
            try:
                measured = self.carry_out(self._bench, source, expected, self._at_work.watch, self._keep_draft, medium)
                outcome = anchored(self._store, self._bench.config, judged(self._settled(measured)))
            finally:
                if alone:
                    self._at_work.release()
                if not self._ending() and alone:
                    self._bench.clear_stop()
            self.keep(outcome)
            self._hears("finished", {**determination_json(number, outcome), "followed": follows(outcome)})
            self._log.info(
                "determination.finished",
                verdict=outcome.alkalinity.verdict.value,
                reasons=[reason.value for reason in outcome.alkalinity.reasons],
                alkalinity_umol_kg=outcome.alkalinity.value,
                u_umol_kg=outcome.alkalinity.u,
                remarks=list(outcome.remarks),
            )
            self._upkeep.keep_hours()
            if alone:
                self._bench.guard.scan()  # what acts is raised before what follows of it
                self._raise_what_follows(outcome, confirmed_next=follows(outcome))
        return outcome

    def _usual_s(self) -> float | None:
        """Return how long the last determinations of the tank took; None before the first that counts."""
        past = self._store.reportable(Source.TANK, LATELY)
        return median_low([d.finished_s - d.started_s for d in past]) if past else None

    def _surprising(self, d: Determination) -> Determination:
        return self._supported(surprising(self._store, self._bench.config, d))

    def _supported(self, d: Determination) -> Determination:
        return supported(self._store, self._bench.config.alerts, d)

    def _expectation(self, source: Source, unusual_from: float | None = None) -> Expectation:
        """Return what the past lets one expect: of the tank the last result guides the doses, or the keeper's word.

        An alkalinity that lies further from it than `unusual_from` standard deviations is unusual; None: none is.
        """
        config = self._bench.config
        levels = self._store.reportable(source, MOST_LEVELS)
        past = levels[-MOST_RESULTS:]
        titre = titre_at(config.titre, self._clock.now())
        cell_on = config.probes.conductivity.calibrated_on
        cell = self._bench.calibrations.get(Kind.CONDUCTIVITY.value)
        factor = None if titre is None else titre.factor
        seen = past or self._waiting(source)
        history = replace(
            history_of(levels, cell_on, factor, cell),
            unusual_from=unusual_from,
            unseen_acid_umol_kg=tuple(acid.value for acid in unseen_acids(seen)),
        )
        if not past:
            history = replace(history, salinity=history_of(seen, cell_on, factor, cell).salinity)
        if source is not Source.TANK and len(history.salinity) < LEAST_RESULTS:
            history = replace(history, salinity=())  # another bottle of a reference may have another salinity
        loss, bend = usual_loss(past), usual_bend(self._references_of_this_electrode())
        last = past[-1].alkalinity.value if past else None
        if last is not None:
            raw = last / config.titre.factor
            return Expectation(Estimate(raw, 0.25 * raw), loss, history, self._drains, bend)
        if config.expected_dkh is not None and source is Source.TANK:
            raw = dkh_to_umol_kg(config.expected_dkh, 35.0)
            return Expectation(Estimate(raw, 0.4 * raw), loss, history, self._drains, bend)
        return Expectation(None, loss, history, self._drains, bend)

    def _waiting(self, source: Source) -> list[Determination]:
        """Return the newest result of a bench that waits for a second one, if any: its acid and salinity are a past."""
        suspects = self._store.suspects(source, MOST_RESULTS)
        return [d for d in suspects if d.alkalinity.reasons == (Reason.FIRST,)][-1:]

    def _references_of_this_electrode(self) -> list[Determination]:
        """Return the references measured since a new pH probe was logged: another electrode has another bend."""
        known = installed(self._store)
        of_ph = [name for name, part in self._bench.config.parts.items() if part.settles == "ph" and name in known]
        references = self._store.reportable(Source.REFERENCE, MOST_RESULTS)
        return [d for d in references if all(d.started_at > known[name].at for name in of_ph)]

    def _settled(self, d: Determination) -> Determination:
        """Make provisional what a part that is still settling bears on, and say which part and how long."""
        if d.source is not Source.TANK:
            return d
        store = self._store
        found = settling(self._bench.config, installed(store), d, store.reportable(Source.TANK, MOST_RESULTS))
        buffered = in_force(store).get(Kind.PH)
        if buffered is not None and timedelta(0) <= d.started_at - buffered.at < AFTER_BUFFERS:
            part = NewPart("the pH probe's junction, after buffers,", buffered.at, "ph")
            found.append(Settling(part, f"{part.name} settles in tank water for half an hour"))
        damaged = doubted(store) - {Kind.WASTE_PUMP}
        factor = in_force(store).get(Kind.TITRE)
        another_tube = factor is not None and tube_changed_since(store, self._bench.config, factor.at)
        if not found and not damaged and not another_tube:
            return d
        bears_on = {one.part.bears_on for one in found}

        def provisional(quantity: Quantity, name: str) -> Quantity:
            why = (*([Reason.SETTLING] if name in bears_on else []), *([Reason.CALIBRATION_DAMAGED] if damaged else []))
            if another_tube and name == "alkalinity":
                why = (*why, Reason.NOT_STANDARDISED)
            if not why or quantity.verdict is not Verdict.ACCEPTED:
                return quantity
            return replace(quantity, verdict=Verdict.PROVISIONAL, reasons=(*quantity.reasons, *why))

        return replace(
            d,
            alkalinity=provisional(d.alkalinity, "alkalinity"),
            ph_total=provisional(d.ph_total, "ph"),
            salinity=provisional(d.salinity, "salinity"),
            remarks=(*d.remarks, *(one.text for one in found)),
        )

    # Keeping --------------------------------------------------------------------------

    def _keep_draft(self, draft: Determination) -> None:
        try:
            self._store.keep_draft(draft)
        except StorageError as error:  # the next stage's commit decides whether the run may go on
            self._log.error("draft.not_kept", what=error.what, remedy=error.remedy)

    def keep(self, outcome: Determination) -> None:
        """Keep it, or keep it in mind until the disk takes it."""
        self._unkept.append(outcome)
        self._keep_what_waits()

    def keep_again(self) -> None:
        """Try again what the disk has not taken."""
        if self._unkept:
            self._keep_what_waits()

    def _keep_what_waits(self) -> None:
        while self._unkept:
            try:
                self._store.keep(self._unkept[0])
            except StorageError as error:
                self._log.error("determination.not_kept", what=error.what, remedy=error.remedy)
                self._alerting.alert("storage", f"{error.what}. {error.remedy}")
                return
            del self._unkept[0]
        self._alerting.clear("storage")

    # Raising --------------------------------------------------------------------------

    def look_again(self) -> None:
        """Check the newest result anew, after the keeper's limits or what is written down have changed."""
        for found in of_bands(looked_at(self._store, self._bench.config, self._clock.now())):
            self._alerting.stands(*found)

    def _raise_what_follows(self, outcome: Determination, *, confirmed_next: bool = False) -> None:
        config, now, doubt_ends = self._bench.config, self._clock.now(), ""
        if self._no_result.heard(outcome, self._clock.monotonic()):
            looked = looked_at(self._store, config, now)
            for found in (*of_weighed(config, looked.past[-WEIGHED_RESULTS:]), *of_bands(looked)):
                self._alerting.stands(*found)
            doubt_ends = after_doubt(looked)
        reasons = set(outcome.alkalinity.reasons)
        quiet = confirmed_next and reasons <= {Reason.FIRST, Reason.UNUSUAL}  # the next one says what it was
        of_run = () if quiet else of_outcome(outcome, doubt_ends)
        for found in (*of_run, self._probes.heard(outcome)):
            self._alerting.stands(*found)


def _knowing(first: Determination, second: Determination) -> Determination:
    """Return the second of a pair as it is judged where the first is known."""
    return replace(second, alkalinity=confirmed(first.alkalinity, second.alkalinity))
