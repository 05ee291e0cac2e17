"""What differs from one installation to the next. GPn is the number on the board's pin drawing.

Edit, copy to the board, reset. The vehicle file of the host names the wheels in the order of COLUMNS.
"""

CONVERTER = "mcp3208"
"""'mcp3208', or 'internal' for trying out on the desk: GP26, GP27 and GP28 as inputs 0 to 2."""
COLUMNS = (0, 1, 2, 3)
"""Input number of each travel sensor, 1 to 8 of them. 8 to 15 are those of a second converter."""
REFERENCE = 7
"""Input that measures the supply of the potentiometers; None: not measured."""
RATE_HZ = 1000
RING_ROWS = 512
"""Rows kept while the line is busy: half a second at 1 kHz."""

SPI_ID = 0
SPI_HZ = 1000000
SPI_CLOCK = 18
SPI_TO_CONVERTER = 19
SPI_FROM_CONVERTER = 16
SPI_SELECTS = (17,)
"""One for each converter; (17, 20) with a second one."""

LINE = "usb"
"""'usb', or 'uart' for a serial line of 3.3 V on the two pins below."""
UART_ID = 0
UART_BAUD = 921600
UART_SEND = 0
UART_RECEIVE = 1

PULSE_INPUT = None
"""GP number of a wheel-speed sensor's pulses (0 to 3.3 V only), None without one."""
SERVICE_INPUT = 22
"""Tied to GND at power-up, the bridge doesn't start and the board can be worked on."""
WATCHDOG_MS = 2000
