r"""What the author of a driver tests it with: a clock that jumps, pins that remember, ports that follow a script.

Everything here is public, and changes only with a version. A test of a driver reads::

    from saltern.testing import ScriptedPort, VirtualClock, mock_wires, wait_for

    def test_a_reply_is_a_reading():
        clock = VirtualClock()
        port = ScriptedPort(clock, [(b"R\r", [(0.3, b"7.01\r")])])
        with mock_wires(clock, ports={"/dev/serial/by-id/board": port}) as wires:
            probe = DRIVER.open(Config(port="/dev/serial/by-id/board"), wires)
            probe.request()
            assert wait_for(probe, clock).value == 7.01
        port.assert_used_up()

No real time passes: `clock.sleep` moves the clock, and what was due in between happens at its instant. Pins are those
of gpiozero's mock factory: ``wires.pins.pin(17).drive_high()`` is an edge from outside, ``wires.pins.pin(17).state``
what a driver drives. Nothing of this package is used by the service.
"""

from saltern.clock import VirtualClock
from saltern.testing.pulse_trains import VirtualPulseTrains
from saltern.testing.serial_port import ScriptedPort, VirtualPort
from saltern.testing.wires import mock_wires, wait_for

__all__ = ["ScriptedPort", "VirtualClock", "VirtualPort", "VirtualPulseTrains", "mock_wires", "wait_for"]
