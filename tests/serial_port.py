"""A serial port in virtual time, for whatever board stands at its other end."""


class VirtualPort:
    """What pyserial's port is to a driver: bytes that have arrived can be read, each from its instant on."""

    def __init__(self, clock):
        self.clock = clock
        self.arriving, self.ready, self.closed = [], b"", False

    def say(self, *answers):
        """Let these arrive, each a delay in seconds and its bytes."""
        self.arriving += [(self.clock.monotonic() + delay_s, data) for delay_s, data in answers]

    @property
    def in_waiting(self):
        now_s = self.clock.monotonic()
        self.ready += b"".join(data for due_s, data in self.arriving if due_s <= now_s)
        self.arriving = [(due_s, data) for due_s, data in self.arriving if due_s > now_s]
        return len(self.ready)

    def read(self, size=1):
        part, self.ready = self.ready[:size], self.ready[size:]
        return part

    def reset_input_buffer(self):
        assert self.in_waiting >= 0
        self.ready = b""

    def close(self):
        self.closed = True


def wait_for(probe, clock, most_s=5.0):
    """Poll until a reading comes, or the time is over."""
    until_s = clock.monotonic() + most_s
    while clock.monotonic() < until_s:
        reading = probe.poll()
        if reading is not None:
            return reading
        clock.sleep(0.05)
    return None
