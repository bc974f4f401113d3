"""A host's drivers on a line to a node."""

from saltern.clock import VirtualClock
from saltern.ports import Direction, DriverError, Wires
from saltern_drivers import pump_node
from tests.node.boards import NodePort

RATE = 2000
PUMP = {"port": "/dev/node", "pump": "titrant", "steps_per_s": RATE, "reversible": True}


class Host:
    """Pumps, permits and stirrer, as a bench opens them."""

    def __init__(self, board):
        self.clock = VirtualClock()
        self.board = board
        self.port = NodePort(self.clock, board)
        self.connect()

    def connect(self):
        wires = Wires(clock=self.clock, pins=None, pulses=None, open_serial=lambda *_, **__: self.port)
        self.pumps = {
            name: pump_node.PUMP.open(pump_node.PumpConfig(**{**PUMP, "pump": name}), wires)
            for name in pump_node.NUMBERS
        }
        self.permits = {
            name: pump_node.PERMIT.open(pump_node.Config(port="/dev/node", pump=name), wires)
            for name in pump_node.NUMBERS
        }
        self.use("titrant")
        self.stirrer = pump_node.STIR.open(pump_node.StirrerConfig(port="/dev/node"), wires)

    def use(self, name):
        """Let the tests' one pump be this one."""
        self.pump, self.permit = self.pumps[name], self.permits[name]
        self.number = pump_node.NUMBERS[name]

    def turn(self, steps, *, scans=True, until_s=80.0, direction=Direction.FORWARD):
        """Turn as the bench does: kick, start, and kick in each scan; return the last progress."""
        self.permit.kick()
        self.pump.start(steps, direction)
        end_s = self.clock.monotonic() + until_s
        while (progress := self.pump.progress()).running and self.clock.monotonic() < end_s:
            self.clock.sleep(0.1)
            if scans:
                self.permit.kick()
        return progress

    def total(self):
        return self.port.look()["total"][self.number]

    def follow(self, for_s=1.0):
        """Ask how far the pump is, without permitting it."""
        end_s = self.clock.monotonic() + for_s
        while self.pump.progress().running and self.clock.monotonic() < end_s:
            self.clock.sleep(0.1)

    def ends(self, steps, **how):
        """Turn; return the last progress, and the error that came, if one did."""
        try:
            return self.turn(steps, **how), None
        except DriverError as error:
            return self.pump.progress(), error
