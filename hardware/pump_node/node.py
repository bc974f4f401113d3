"""The pump node's mind: a Modbus RTU server that turns three pump heads and a stirrer, and trusts nobody.

Pure logic: bytes and times in, bytes and motor commands out. It runs under MicroPython on the board (`main.py` is the
thin shim around it), and under any Python in tests. Nothing here allocates without bound.

A motion is a number of steps, bounded, with a sequence number. Its ramps are a list of stages, whole before the first
pulse: the board's hardware sends them without Python. A pump turns only while its *permit* is fresh: the host writes
the permit mask in every scan that passed; 0.5 s without that halts every motor and latches, until the host
acknowledges. The float input halts what adds liquid by itself, whoever asks, and latches; it never stops waste, and
never refuses it.

Steps are counted by the board on the step pin itself, and read; what cannot be read, or is not where the clock says
that it must be, is an interval.

Register map (addresses from 0; all 16 bit; 32-bit values high word first). Input registers, read by function 4:

    0 map version (2)      1 firmware version    2 reset cause: 0 power, 1 watchdog, 2 software or USB
    3 boot nonce           4 latches: bit 0 host silent, bit 1 float, bit 2 self-test failed
    5 inputs: bit 0 float (debounced), bit 1 float as it is in this moment
    6 uptime, s            7 longest time a motor turned without a fresh permit, ms, since boot
    8 counts that were not where they had to be, since boot: bit p
    16 + 8 p, pump p (0 sample, 1 waste, 2 titrant):
      +0 sequence of the last accepted motion   +1 state: 0 idle, 1 turning, 2 done, 3 halted
      +2, +3 least steps done                   +4, +5 most steps done        +6, +7 steps asked

Holding registers, written by function 16:

    0 acknowledge: the latch bits to clear      1 permits: bit p; the heartbeat      2 halt: bit p
    3 stirrer, permille of full speed
    16 + 16 p: ten registers at once: sequence, direction (0 forward, 1 backward), steps (2), steps per second (2),
    steps per second of the first pulses (2), steps per second squared (2)

The same sequence number again is the same motion: it is answered, and not done twice.
"""

MAP_VERSION = 2
FIRMWARE = 5
PERMIT_MS = 500
LONGEST_S = 75
FASTEST = 50000  # steps a second
PUMPS = 3
ADDS = (0, 2)
IDLE, TURNING, DONE, HALTED = 0, 1, 2, 3
SILENT, FLOAT, SELF_TEST = 1, 2, 4
ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE, FAILURE, BUSY = 1, 2, 3, 4, 6
BYTE_MS = 5  # a frame whose bytes pause longer has ended, at 9600 baud and USB alike

# A motor's coils need some ms for their current, and its rotor swings some 10 ms about the step that takes hold of it
# (common practice, not measured here): both have ended before the first pulse. After the last it is held as long.
SETTLE_MS = 50
STAGES, SHARE = 32, 8  # a ramp rises by 1/32 of its whole height at a time, and by 1/8 of where it is at most
TICKS_PER_S = 4000000  # in which periods are given: a quarter of a microsecond
OVERDUE_MS = 500  # a motion that the hardware has not ended so long after its time is halted
LATE_MS = 25  # a count is read at most so long after the moment that the clock says

# What the float must do to be up: be found open for 50 ms in all, of which one look counts 10 ms at most (a loop that
# pauses does not make a glitch long), with no 20 ms closed in between (a float that chatters acts, a spark does not).
FLOAT_OPEN_MS, FLOAT_CLOSED_MS, FLOAT_LOOK_MS = 50, 20, 10


def crc16(data):
    """Return the CRC of Modbus RTU, as the two bytes that go over the wire."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ 0xA001 if crc & 1 else crc >> 1
    return bytes((crc & 0xFF, crc >> 8))


def word(value):
    return bytes((value >> 8 & 0xFF, value & 0xFF))


def root(value):
    """Return the whole part of the square root, by Newton's method."""
    guess = value
    better = (guess + 1) // 2
    while better < guess:
        guess, better = better, (better + value // better) // 2
    return guess


def stages(steps, rate, start, acceleration):
    """Return a motion as (pulses, ticks from each pulse to the next), in the order in which they are sent.

    From standstill the first pulses come at the start rate; then the rate rises as under constant acceleration (v² =
    v0² + 2 a s), falls as it rose, and ends at the start rate. A motion too short for its rate turns back half way.
    No rate is above the one asked for: ticks are rounded up.
    """
    start = min(start, rate)
    half = steps // 2
    top = min(rate, root(start * start + 2 * acceleration * half))
    up = []
    sent, speed = 0, start
    while speed < top:
        reached = min(top, speed + max(1, min((top - start) // STAGES, speed // SHARE)))
        until = min(half, (reached * reached - start * start) // (2 * acceleration))
        if speed == start:
            until = max(until, 1)
        if until > sent:
            up.append((until - sent, ticks(speed)))
            sent = until
        speed = reached
    level = [(steps - 2 * sent, ticks(top))] if steps > 2 * sent else []
    return up + level + up[::-1]


def ticks(rate):
    return -(-TICKS_PER_S // rate)


def lasts_ms(planned):
    """Return how long the stages of a motion take."""
    return sum([pulses * period for pulses, period in planned]) * 1000 // TICKS_PER_S


def due(planned, since_ms):
    """Return how many pulses have begun so long after the first."""
    left = since_ms * (TICKS_PER_S // 1000)
    if left < 0:
        return 0
    begun = 0
    for pulses, period in planned:
        if left < pulses * period:
            return begun + left // period + 1
        begun += pulses
        left -= pulses * period
    return begun


class Float:
    """Whether the float is up, or its wire broken, debounced by the node's own time."""

    def __init__(self):
        self.up = False
        self.open_ms = self.closed_ms = 0
        self.looked_ms = None

    def look(self, is_open, now_ms):
        since_ms = 0 if self.looked_ms is None else min(now_ms - self.looked_ms, FLOAT_LOOK_MS)
        self.looked_ms = now_ms
        if is_open:
            self.closed_ms = 0
            self.open_ms = min(self.open_ms + since_ms, FLOAT_OPEN_MS)
        else:
            self.closed_ms += since_ms
            if self.closed_ms >= FLOAT_CLOSED_MS:
                self.open_ms = 0
        self.up = self.open_ms >= FLOAT_OPEN_MS
        return self.up


class Pump:
    """What one head was asked for, and how far it has come."""

    def __init__(self):
        self.sequence = 0
        self.state = IDLE
        self.asked = 0
        self.least = self.most = 0
        self.planned = None  # its stages
        self.lasts_ms = 0
        self.begins_ms = 0  # when the first pulse goes out
        self.sending = False  # it has
        self.freed_ms = None  # when the motor, at rest again, is let go


class Node:
    """The whole node.

    Parameters
    ----------
    address
        Its number on the line.
    motors
        One for each pump: `hold(backward)` sets its direction and gives it current; `send(stages)` begins to count its
        pulses from 0 and lets the hardware send them; `halt()` ends them; `count()` answers how many there were since,
        or None where that cannot be read; `ended()`, whether the hardware has sent all; `free()` takes its current.
    stir
        Called with permille of full speed.
    float_open
        Answers whether the overfill float's circuit is open in this moment.
    reset_cause, nonce
        Of this boot.
    """

    def __init__(self, address, motors, stir, float_open, reset_cause=0, nonce=1):
        self.address = address
        self.motors = motors
        self.stir = stir
        self.float_open = float_open
        self.float = Float()
        self.reset_cause = reset_cause
        self.nonce = nonce & 0xFFFF
        self.pumps = [Pump() for _ in range(PUMPS)]
        self.latches = 0
        self.permitted = 0
        self.permitted_ms = -PERMIT_MS
        self.began_ms = None
        self.received = bytearray()
        self.last_byte_ms = 0
        self.unpermitted_ms = 0
        self.disagreed = 0

    # Time ---------------------------------------------------------------------------

    def tick(self, now_ms):
        """Look after what turns; called as often as possible, at least every 10 ms."""
        if self.began_ms is None:
            self.began_ms = now_ms
        late_ms = now_ms - self.permitted_ms - PERMIT_MS
        up = self.float.look(self.float_open(), now_ms)
        for number in range(PUMPS):
            pump = self.pumps[number]
            if pump.state != TURNING:
                if pump.freed_ms is not None and now_ms >= pump.freed_ms:
                    self.motors[number].free()
                    pump.freed_ms = None
            elif up and number in ADDS:
                self._stop(number, HALTED, now_ms)
                self.latches |= FLOAT
            elif late_ms >= 0:
                self.unpermitted_ms = max(self.unpermitted_ms, late_ms + PERMIT_MS)
                self.halt_all(now_ms)
                self.latches |= SILENT
            elif not self.permitted >> number & 1:
                self._stop(number, HALTED, now_ms)
            elif not pump.sending:
                if now_ms >= pump.begins_ms:
                    pump.begins_ms, pump.sending = now_ms, True
                    self.motors[number].send(pump.planned)
            elif self.motors[number].ended():
                self._stop(number, DONE, now_ms)
            elif now_ms - pump.begins_ms > pump.lasts_ms + OVERDUE_MS:
                self._stop(number, HALTED, now_ms)
        if self.received and now_ms - self.last_byte_ms > BYTE_MS:
            self.received = bytearray()  # what has not become a frame by now never will

    def halt_all(self, now_ms):
        """Stop everything that turns."""
        for number in range(PUMPS):
            if self.pumps[number].state == TURNING:
                self._stop(number, HALTED, now_ms)
        self.stir(0)

    def _stop(self, number, state, now_ms):
        pump = self.pumps[number]
        self.motors[number].halt()
        pump.state = state
        self._look(number, now_ms)
        pump.sending = False
        pump.freed_ms = now_ms + SETTLE_MS

    def _look(self, number, now_ms):
        """Read how far a motion has come; where count and clock contradict each other, both are its ends."""
        pump = self.pumps[number]
        if not pump.sending:
            return
        if pump.state == DONE:
            low = high = pump.asked
        else:
            since_ms = now_ms - pump.begins_ms
            low, high = due(pump.planned, since_ms - LATE_MS), due(pump.planned, since_ms + LATE_MS)
        count = self.motors[number].count()
        if count is not None and low <= count <= high:
            pump.least = pump.most = count
            return
        self.disagreed |= 1 << number
        pump.least = 0 if count is None else min(low, count)
        pump.most = high if count is None else max(high, count)

    # Bytes --------------------------------------------------------------------------

    def feed(self, data, now_ms):
        """Take up bytes; return what is to be sent back."""
        if self.received and now_ms - self.last_byte_ms > BYTE_MS:
            self.received = bytearray()
        self.last_byte_ms = now_ms
        self.received += data
        answers = b""
        while True:
            size = self._frame_size()
            if size == 0 or len(self.received) < size:
                break
            frame, self.received = bytes(self.received[:size]), self.received[size:]
            if crc16(frame[:-2]) != frame[-2:]:
                self.received = bytearray()  # where a frame begins is not known any more: wait for a pause
                break
            if frame[0] == self.address:
                answers += self._answer(frame, now_ms)
        if len(self.received) > 300:
            self.received = bytearray()
        return answers

    def _frame_size(self):
        """Return the size of the frame that begins here, or 0 while it cannot be known."""
        if len(self.received) < 2:
            return 0
        if self.received[1] == 16:
            return 9 + self.received[6] if len(self.received) > 6 else 0
        return 8

    def _answer(self, frame, now_ms):
        function = frame[1]
        register, value = frame[2] << 8 | frame[3], frame[4] << 8 | frame[5]
        if function == 4:
            code, body = self._read(register, value, now_ms)
        elif function == 16:
            code, body = self._write(register, value, frame[7:-2], now_ms)
        else:
            code, body = ILLEGAL_FUNCTION, b""
        reply = bytes((self.address, function | (0x80 if code else 0))) + (bytes((code,)) if code else body)
        return reply + crc16(reply)

    def _read(self, register, count, now_ms):
        if not 1 <= count <= 64 or register + count > 16 + 8 * PUMPS:
            return ILLEGAL_ADDRESS, b""
        for number in range(PUMPS):
            if self.pumps[number].state == TURNING:
                self._look(number, now_ms)
        values = b"".join(word(self._input(address, now_ms)) for address in range(register, register + count))
        return 0, bytes((2 * count,)) + values

    def _input(self, address, now_ms):
        if address < 16:
            uptime_s = (now_ms - (self.began_ms or 0)) // 1000
            state = (
                MAP_VERSION,
                FIRMWARE,
                self.reset_cause,
                self.nonce,
                self.latches,
                (1 if self.float.up else 0) | (2 if self.float_open() else 0),
                uptime_s & 0xFFFF,
                min(self.unpermitted_ms, 0xFFFF),
                self.disagreed,
            )
            return state[address] if address < len(state) else 0
        number, at = divmod(address - 16, 8)
        pump = self.pumps[number]
        return (
            pump.sequence, pump.state, pump.least >> 16, pump.least & 0xFFFF,
            pump.most >> 16, pump.most & 0xFFFF, pump.asked >> 16, pump.asked & 0xFFFF,
        )[at]  # fmt: skip

    def _write(self, register, count, data, now_ms):
        if len(data) != 2 * count:
            return ILLEGAL_VALUE, b""
        values = [data[i] << 8 | data[i + 1] for i in range(0, len(data), 2)]
        echo = word(register) + word(count)
        if register >= 16:
            number, at = divmod(register - 16, 16)
            if at != 0 or count != 10 or number >= PUMPS:
                return ILLEGAL_ADDRESS, b""
            return self._move(number, values, now_ms), echo
        if count != 1 or register > 3:
            return ILLEGAL_ADDRESS, b""
        return self._command(register, values[0], now_ms), echo

    def _command(self, register, value, now_ms):
        if register == 0:
            self.latches &= ~value & 0xFFFF
            if self.float.up:
                self.latches |= FLOAT
        elif register == 1:
            self.permitted, self.permitted_ms = value, now_ms
        elif register == 2:
            for number in range(PUMPS):
                if value >> number & 1 and self.pumps[number].state == TURNING:
                    self._stop(number, HALTED, now_ms)
        elif value > 1000:
            return ILLEGAL_VALUE
        else:
            self.stir(value)
        return 0

    def _move(self, number, values, now_ms):
        sequence, backward = values[0], values[1]
        steps, rate, start, acceleration = [values[i] << 16 | values[i + 1] for i in (2, 4, 6, 8)]
        pump = self.pumps[number]
        if sequence == pump.sequence and sequence:
            return 0  # asked again because the answer was lost: it is under way, or over
        if pump.state == TURNING:
            return BUSY
        if not sequence or backward > 1 or not steps or steps > rate * LONGEST_S:
            return ILLEGAL_VALUE
        if rate > FASTEST or not start or not acceleration:
            return ILLEGAL_VALUE
        planned = stages(steps, rate, start, acceleration)
        planned_ms = lasts_ms(planned)
        if planned_ms > 1000 * LONGEST_S:
            return ILLEGAL_VALUE
        blocking = self.latches & ~FLOAT
        if number in ADDS:
            blocking = self.latches or self.float.up
        if blocking:
            return FAILURE
        pump.sequence, pump.asked, pump.least, pump.most = sequence, steps, 0, 0
        if now_ms - self.permitted_ms >= PERMIT_MS or not self.permitted >> number & 1:
            pump.state = HALTED  # without a permit it is booked, and nothing turns
            return 0
        pump.state, pump.planned, pump.lasts_ms, pump.sending = TURNING, planned, planned_ms, False
        pump.begins_ms, pump.freed_ms = now_ms + SETTLE_MS, None
        self.motors[number].hold(bool(backward))
        return 0

    # Self-test ------------------------------------------------------------------------

    def self_test(self):
        """Halt every motor, and ask each how far it is: none may have turned at boot, and each must answer."""
        for motor in self.motors:
            motor.halt()
            motor.free()
            if motor.count() != 0:
                self.latches |= SELF_TEST
        return not self.latches & SELF_TEST
