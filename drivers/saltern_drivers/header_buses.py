"""Which pins of the 40-pin header a bus takes, once it is switched on: nothing else may be wired to them.

Numbers are those of the BCM2835 ARM Peripherals manual, section 6.2 (alternative functions), and of the overlay
w1-gpio's default (the kernel's overlays/README). A 1-wire bus that was put on another pin is not known here.
"""

I2C_PINS = {0: (0, 1), 1: (2, 3)}
UART_PINS = (14, 15)
UART_PORTS = ("/dev/serial0", "/dev/ttyAMA0", "/dev/ttyS0")
W1_PIN = 4


def i2c_pins(bus: int) -> dict[int, str]:
    """Return the pins of an I2C bus, and its name."""
    return dict.fromkeys(I2C_PINS.get(bus, ()), f"the I2C bus {bus}")


def uart_pins(port: str) -> dict[int, str]:
    """Return the pins of a serial port of the header; one on USB has none."""
    return dict.fromkeys(UART_PINS, f"the serial port {port}") if port in UART_PORTS else {}


def w1_pins() -> dict[int, str]:
    """Return the pin of the 1-wire bus."""
    return {W1_PIN: "the 1-wire bus"}
