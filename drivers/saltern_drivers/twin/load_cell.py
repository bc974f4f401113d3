"""The twin's load-cell converter (NAU7802 and its kind): it enforces the order of the data sheet's power-on sequence.

From memory of the data sheet, rev. 1.7, and tried against nothing else: reset (RR) and its release; the digital part
(PUD), which is ready within 200 us and says so (PUR); before that no register takes anything. Gain and supply; the
analogue part (PUA), whose supply takes its time; the calibration of the offset (CALS, over when it reads 0, failed when
CAL_ERR reads 1). Conversions run while CS is set, the first four of them unsettled. How long the supply and the
calibration take, and how far an uncalibrated offset is off, are assumptions.
"""

from collections.abc import Callable

from saltern.ports import Clock

PU_CTRL, CTRL1, CTRL2, ADC_OUT = 0x00, 0x01, 0x02, 0x12
RR, PUD, PUA, PUR, CS, CR, AVDDS = 0x01, 0x02, 0x04, 0x08, 0x10, 0x20, 0x80
CALS, CAL_ERR = 0x04, 0x08
READY_S, SUPPLY_S, CALIBRATION_S, CONVERSION_S = 200e-6, 0.1, 0.35, 0.1
UNSETTLED = 4
UNCALIBRATED_COUNTS = 40_000
RIGHT_SETTINGS = 0x2F  # gain 128, 3.0 V


class LoadCell:
    """The chip. `counts` answers with what a set-up one would convert now."""

    def __init__(self, clock: Clock, counts: Callable[[], int]) -> None:
        self._clock = clock
        self._counts = counts
        self.calibration_fails = False
        self.lose_power()

    def lose_power(self) -> None:
        """Forget everything, as after a reset."""
        self._registers = {PU_CTRL: 0, CTRL1: 0, CTRL2: 0}
        self._powered_s = self._supplied_s = self._calibrated_s = self._converted_s = float("inf")
        self._calibrates_well = False
        self._unsettled = UNSETTLED

    def write(self, register: int, value: int) -> None:
        now_s = self._clock.monotonic()
        if register == PU_CTRL:
            self._control(value, now_s)
        elif now_s >= self._powered_s and register in self._registers:
            self._registers[register] = value & ~CAL_ERR
            self._unsettled = UNSETTLED
            if register == CTRL2 and value & CALS:
                self._calibrated_s = now_s + CALIBRATION_S
                self._calibrates_well = now_s >= self._supplied_s and not self.calibration_fails

    def _control(self, value: int, now_s: float) -> None:
        if value & RR:
            self.lose_power()
            return
        was, self._registers[PU_CTRL] = self._registers[PU_CTRL], value
        if value & PUD and not was & PUD:
            self._powered_s = now_s + READY_S
        if value & PUA and not was & PUA:
            by_its_own = value & AVDDS and now_s >= self._powered_s
            self._supplied_s = now_s + SUPPLY_S if by_its_own else float("inf")
        if value & CS and not was & CS:
            self._converted_s, self._unsettled = now_s, UNSETTLED

    def read(self, register: int, length: int) -> list[int]:
        now_s = self._clock.monotonic()
        if register == PU_CTRL:
            powered = PUR if now_s >= self._powered_s else 0
            return [self._registers[PU_CTRL] & ~(PUR | CR) | powered | (CR if self._converted(now_s) else 0)]
        if register == CTRL2:
            return [self._registers[CTRL2] & ~(CALS | CAL_ERR) | self._calibration(now_s)]
        if register != ADC_OUT:
            return [self._registers.get(register, 0)] * length
        if self._converted(now_s):
            self._converted_s = now_s
            self._unsettled = max(0, self._unsettled - 1)
        counts = round(self._counts() * (1.0 - self._unsettled / UNSETTLED))
        right = self._calibrates_well and now_s >= self._calibrated_s and self._registers[CTRL1] == RIGHT_SETTINGS
        counts = (counts if right else counts + UNCALIBRATED_COUNTS) & 0xFFFFFF
        return [counts >> 16, counts >> 8 & 0xFF, counts & 0xFF]

    def _converted(self, now_s: float) -> bool:
        on = self._registers[PU_CTRL] & CS and now_s >= self._supplied_s
        return bool(on) and now_s - self._converted_s >= CONVERSION_S

    def _calibration(self, now_s: float) -> int:
        if not self._registers[CTRL2] & CALS:
            return 0
        if now_s < self._calibrated_s:
            return CALS
        return 0 if self._calibrates_well else CAL_ERR
