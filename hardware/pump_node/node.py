"""The pump node's mind: a Modbus RTU server that turns three pump heads and a stirrer, and trusts nobody.

Pure logic: bytes and times in, bytes and motor commands out. It runs under MicroPython on the board (`main.py` is the
thin shim around it), and under any Python in tests. Nothing here allocates without bound.

A motion is a number of steps, bounded, with a sequence number. A pump turns only while its *permit* is fresh: the host
writes the permit mask in every scan that passed; 0.5 s without that halts every motor and latches, until the host
acknowledges. The float input halts what adds liquid by itself, whoever asks.

Register map (addresses from 0; all 16 bit; 32-bit values high word first). Input registers, read by function 4:

    0 map version (1)      1 firmware version    2 reset cause: 0 power, 1 watchdog, 2 software or USB
    3 boot nonce           4 latches: bit 0 host silent, bit 1 float, bit 2 self-test failed
    5 inputs: bit 0 float  6 uptime, s           7 longest time a motor turned without a fresh permit, ms, since boot
    16 + 8 p, pump p (0 sample, 1 waste, 2 titrant):
      +0 sequence of the last accepted motion   +1 state: 0 idle, 1 turning, 2 done, 3 halted
      +2, +3 steps done                         +4, +5 steps asked

Holding registers, written by function 16:

    0 acknowledge: the latch bits to clear      1 permits: bit p; the heartbeat      2 halt: bit p
    3 stirrer, permille of full speed
    16 + 8 p: six registers at once: sequence, direction (0 forward, 1 backward), steps (2), steps per second (2; at
    least 80)

The same sequence number again is the same motion: it is answered, and not done twice.
"""

MAP_VERSION = 1
FIRMWARE = 4
PERMIT_MS = 500
LONGEST_S = 65
SLOWEST = 80  # steps a second: the PIO's divider goes no further down at 150 MHz
PUMPS = 3
ADDS = (0, 2)
IDLE, TURNING, DONE, HALTED = 0, 1, 2, 3
SILENT, FLOAT, SELF_TEST = 1, 2, 4
ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE, FAILURE, BUSY = 1, 2, 3, 4, 6
BYTE_MS = 5  # a frame whose bytes pause longer has ended, at 9600 baud and USB alike


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


class Pump:
    """What one head was asked for, and how far it has come."""

    def __init__(self):
        self.sequence = 0
        self.state = IDLE
        self.asked = 0
        self.done = 0


class Node:
    """The whole node.

    Parameters
    ----------
    address
        Its number on the line.
    motors
        One for each pump, with `start(steps, steps_per_s, backward)`, `steps()` (taken since the start) and `stop()`.
    stir
        Called with permille of full speed.
    float_up
        Answers whether the overfill float is up, or its wire broken.
    reset_cause, nonce
        Of this boot.
    """

    def __init__(self, address, motors, stir, float_up, reset_cause=0, nonce=1):
        self.address = address
        self.motors = motors
        self.stir = stir
        self.float_up = float_up
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

    # Time ---------------------------------------------------------------------------

    def tick(self, now_ms):
        """Look after what turns; called as often as possible, at least every 10 ms."""
        if self.began_ms is None:
            self.began_ms = now_ms
        late_ms = now_ms - self.permitted_ms - PERMIT_MS
        up = self.float_up()
        for number in range(PUMPS):
            pump = self.pumps[number]
            if pump.state != TURNING:
                continue
            pump.done = min(self.motors[number].steps(), pump.asked)
            if pump.done >= pump.asked:
                self._stop(number, DONE)
            elif up and number in ADDS:
                self._stop(number, HALTED)
                self.latches |= FLOAT
            elif late_ms >= 0:
                self.unpermitted_ms = max(self.unpermitted_ms, late_ms + PERMIT_MS)
                self.halt_all()
                self.latches |= SILENT
            elif not self.permitted >> number & 1:
                self._stop(number, HALTED)
        if self.received and now_ms - self.last_byte_ms > BYTE_MS:
            self.received = bytearray()  # what has not become a frame by now never will

    def halt_all(self):
        """Stop everything that turns."""
        for number in range(PUMPS):
            if self.pumps[number].state == TURNING:
                self._stop(number, HALTED)
        self.stir(0)

    def _stop(self, number, state):
        pump = self.pumps[number]
        self.motors[number].stop()
        pump.done = min(self.motors[number].steps(), pump.asked)
        pump.state = state

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
                1 if self.float_up() else 0,
                uptime_s & 0xFFFF,
                min(self.unpermitted_ms, 0xFFFF),
            )
            return state[address] if address < len(state) else 0
        number, at = divmod(address - 16, 8)
        pump = self.pumps[number]
        if pump.state == TURNING:
            pump.done = min(self.motors[number].steps(), pump.asked)
        return (
            pump.sequence, pump.state, pump.done >> 16, pump.done & 0xFFFF, pump.asked >> 16, pump.asked & 0xFFFF, 0, 0
        )[at]  # fmt: skip

    def _write(self, register, count, data, now_ms):
        if len(data) != 2 * count:
            return ILLEGAL_VALUE, b""
        values = [data[i] << 8 | data[i + 1] for i in range(0, len(data), 2)]
        echo = word(register) + word(count)
        if register >= 16:
            number, at = divmod(register - 16, 8)
            if at != 0 or count != 6 or number >= PUMPS:
                return ILLEGAL_ADDRESS, b""
            return self._move(number, values, now_ms), echo
        if count != 1 or register > 3:
            return ILLEGAL_ADDRESS, b""
        return self._command(register, values[0], now_ms), echo

    def _command(self, register, value, now_ms):
        if register == 0:
            self.latches &= ~value & 0xFFFF
            if self.float_up():
                self.latches |= FLOAT
        elif register == 1:
            self.permitted, self.permitted_ms = value, now_ms
        elif register == 2:
            for number in range(PUMPS):
                if value >> number & 1 and self.pumps[number].state == TURNING:
                    self._stop(number, HALTED)
        elif value > 1000:
            return ILLEGAL_VALUE
        else:
            self.stir(value)
        return 0

    def _move(self, number, values, now_ms):
        sequence, backward = values[0], values[1]
        steps, rate = values[2] << 16 | values[3], values[4] << 16 | values[5]
        pump = self.pumps[number]
        if sequence == pump.sequence and sequence:
            return 0  # asked again because the answer was lost: it is under way, or over
        if pump.state == TURNING:
            return BUSY
        if not sequence or backward > 1 or not steps or rate < SLOWEST or steps > rate * LONGEST_S:
            return ILLEGAL_VALUE
        if self.latches or (number in ADDS and self.float_up()):
            return FAILURE
        pump.sequence, pump.asked, pump.done = sequence, steps, 0
        if now_ms - self.permitted_ms >= PERMIT_MS or not self.permitted >> number & 1:
            pump.state = HALTED  # without a permit it is booked, and nothing turns
            return 0
        pump.state = TURNING
        self.motors[number].start(steps, rate, bool(backward))
        return 0

    # Self-test ------------------------------------------------------------------------

    def self_test(self):
        """Ask every motor how far it is: none may be turning at boot."""
        for motor in self.motors:
            motor.stop()
            if motor.steps() != 0:
                self.latches |= SELF_TEST
        return not self.latches & SELF_TEST
