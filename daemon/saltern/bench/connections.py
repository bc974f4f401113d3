"""Which devices behind ports are there. One that is not is opened again as soon as it is; its driver does that."""

from saltern.bench.devices import Devices, probe_place
from saltern.bench.guard import Guard
from saltern.ports import Clock, Connection


class Connections:
    """How each device behind a port is reached now."""

    def __init__(self, devices: Devices, clock: Clock, guard: Guard) -> None:
        self._probes = tuple(devices.probes)
        self._reconnecting = devices.reconnecting()
        self._clock = clock
        self._guard = guard
        self.by_place: dict[str, Connection] = {}  # by place in the bench file; replaced, never changed
        self.to_ask: set[str] = set()  # probes that have come back, and have not answered yet
        self.looked_s = clock.monotonic()

    def look(self) -> None:
        """Look which are there; while one is not, its row acts."""
        self.looked_s = self._clock.monotonic()
        found = {place: device.connection() for place, device in self._reconnecting.items()}
        back = {place for place, was in self.by_place.items() if not was.up and found[place].up}
        self.to_ask |= {role for role in self._probes if probe_place(role) in back}
        self.by_place = found
        self._guard.noticed.device_absent = any(not connection.up for connection in found.values())

    def may_return(self, probe: str) -> bool:
        """Return whether a probe's driver opens its port again by itself."""
        return probe_place(probe) in self._reconnecting

    def is_down(self, probe: str) -> bool:
        """Return whether a probe's port was not there when it was last looked for."""
        connection = self.by_place.get(probe_place(probe))
        return connection is not None and not connection.up
