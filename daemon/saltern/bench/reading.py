"""Readings: asked of the boards anew, waited for while scanning, and refused where no bench can give them."""

from saltern.bench.connections import Connections
from saltern.bench.guard import Guard
from saltern.bench.interlocks import NOTICED
from saltern.bench.machine import Machine
from saltern.bench.plausible import implausible
from saltern.bench.under_way import UnderWay
from saltern.bench.waiting import POLL_S, Waiting
from saltern.chemistry.electrode import nernst_slope_mv
from saltern.errors import ReadingError
from saltern.ports import Clock, Compensated, DeviceUnavailableError, DriverError, MisuseError, Reading

READ_TRIES = 3
"""A line that garbles one answer in five loses three in a row once in 125 readings (assumed)."""

BACK_WITHIN_S = 5.0
"""A board whose port is lost while it is read is waited for so long: a disturbed hub is back in 1 to 2 s (assumed)."""

STILL_MV = 8.0
"""An electrode in standing sample scatters by less, and titrant that comes in moves it by more (assumed)."""

RESTS_MV, RESTS_WITHIN_S = 2.0, 300.0
"""An electrode that moves by less in three of its time constants is at rest, a quarter of what shows; one that follows
with 45 s needs some 150 s from a change by 100 mV (by its exponential), and twice that is allowed."""

STEADY_READINGS = 4
"""Their mean halves the noise of one; more would take longer than what they look for may take."""


class Readings:
    """The probes of one bench."""

    def __init__(
        self,
        machine: Machine,
        clock: Clock,
        guard: Guard,
        waiting: Waiting,
        connections: Connections,
        under_way: UnderWay,
    ) -> None:
        self._machine = machine
        self._clock = clock
        self._guard = guard
        self._waiting = waiting
        self._connections = connections
        self._under_way = under_way

    def read(self, role: str, poll_s: float = POLL_S) -> Reading:
        """Return a reading taken after this call, looked for at this interval.

        Raises
        ------
        ReadingError
            The board gave none in `READ_TRIES` tries, or its port was not back in `BACK_WITHIN_S`.
        """
        probe = self._machine.devices.probes[role]
        trouble: DriverError | None = None
        tries, back_by_s = 0, self._clock.monotonic() + BACK_WITHIN_S
        while tries < READ_TRIES:
            try:
                probe.request()
                while (reading := probe.poll()) is None:
                    self._waiting.wait(poll_s)
            except MisuseError:
                raise
            except DriverError as error:
                trouble = error
                lost = isinstance(error, DeviceUnavailableError) and self._connections.may_return(role)
                if lost:
                    self._connections.look()
                if not lost or self._clock.monotonic() > back_by_s:
                    tries += 1
                self._waiting.wait(POLL_S)
            else:
                self._take(role, reading)
                return reading
        self._notice_fault(role, faulty=True)
        raise ReadingError(
            f"no reading in {READ_TRIES} tries: {trouble.what if trouble else 'silent'}",
            where=f"{self._machine.config.name}, {role} probe",
            remedy=trouble.remedy if trouble else "Check the board",
        )

    def _take(self, role: str, reading: Reading) -> None:
        """Take note that a board has answered, and refuse what no bench can give."""
        self._connections.to_ask.discard(role)
        if self._guard.noticed.device_absent:
            self._connections.look()
        doubt = implausible(role, reading)
        self._notice_fault(role, faulty=doubt is not None)
        if doubt is not None:
            raise ReadingError(
                doubt,
                where=f"{self._machine.config.name}, {role} probe",
                remedy="Check the probe, its plug and board",
            )
        self._under_way.answered(role, reading.at_s)

    def _notice_fault(self, role: str, *, faulty: bool) -> None:
        """Let the probe's own row know; probes that a bench may have beside the three have none."""
        if f"{role}_fault" in NOTICED:
            setattr(self._guard.noticed, f"{role}_fault", faulty)

    def emf_mv(self) -> tuple[float, float]:
        """Return the electrode's signal in mV, rising with acid, and its monotonic time.

        A board that sends pH is turned back to mV by the calibration in the bench file, at 25 degC, so that the
        evaluation can fit the electrode anew.
        """
        reading = self.read("ph")
        if reading.unit == "mV":
            return reading.value, reading.at_s
        probe = self._machine.config.probes.ph
        per_ph = nernst_slope_mv(25.0) * probe.slope_percent / 100.0
        return probe.e7_mv + per_ph * (7.0 - reading.value), reading.at_s

    def steady_emf_mv(self) -> float:
        """Return the mean of some readings of the electrode.

        Raises
        ------
        ReadingError
            They scatter so much that titrant could come in unseen, or noise be taken for titrant.
        """
        readings = []
        for _ in range(STEADY_READINGS):
            readings.append(self.emf_mv()[0])
            self._waiting.wait(POLL_S)
        if max(readings) - min(readings) > STILL_MV:
            self._guard.noticed.ph_fault = True
            raise ReadingError(
                f"{STEADY_READINGS} readings in a row scatter by {max(readings) - min(readings):.1f} mV",
                where=f"{self._machine.config.name}, ph probe",
                remedy="Check the probe's plug, its cable and the isolation of its board",
            )
        return sum(readings) / len(readings)

    def wait_for_rest_mv(self, between_s: float) -> None:
        """Wait until the electrode stands still: between two means, so far apart in time, it moves by next to nothing.

        Raises
        ------
        ReadingError
            It goes on moving for `RESTS_WITHIN_S`.
        """
        until_s, before = self._clock.monotonic() + RESTS_WITHIN_S, self.steady_emf_mv()
        while self._clock.monotonic() < until_s:
            self._waiting.wait(between_s)
            now = self.steady_emf_mv()
            if abs(now - before) <= RESTS_MV:
                return
            before = now
        raise ReadingError(
            f"the electrode goes on moving for {RESTS_WITHIN_S:.0f} s with nothing added",
            where=f"{self._machine.config.name}, ph probe",
            remedy="Clean it, check whether the stirrer turns, and set probes.ph.lag_s if it has become slow",
        )

    def compensate(self) -> None:
        """Send the temperature to boards that want it; the others cost nothing."""
        probes = [probe for probe in self._machine.devices.probes.values() if isinstance(probe, Compensated)]
        compensating = [probe for probe in probes if probe.wants_temperature]
        celsius = self.temperature_c() if compensating else 0.0
        for probe in compensating:
            try:
                probe.compensate(celsius)
            except MisuseError:
                raise
            except DriverError as error:
                raise ReadingError(error.what, where=error.where, remedy=error.remedy) from error

    def conductivity_ms_cm(self, poll_s: float = POLL_S) -> float:
        """Return what the conductivity board sends, mS/cm, its own compensation included."""
        return as_ms_cm(self.read("conductivity", poll_s))

    def cell_is_wet(self, poll_s: float = POLL_S) -> bool:
        return self.conductivity_ms_cm(poll_s) >= self._machine.config.probes.conductivity.dry_ms_cm

    def balance_g(self, poll_s: float = POLL_S) -> float:
        """Return what the load cell under the vessel shows, g in air; only differences mean anything."""
        balance = self._machine.config.probes.balance
        return self.read("balance", poll_s).value * (1.0 if balance is None else balance.gain)

    def temperature_c(self) -> float:
        return self.read("temperature").value + self._machine.config.probes.temperature.offset_k


def as_ms_cm(reading: Reading) -> float:
    """Return a reading of the conductivity board in mS/cm, whichever unit the board sends."""
    return reading.value / 1000.0 if reading.unit == "uS/cm" else reading.value
