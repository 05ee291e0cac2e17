"""Started by MicroPython at power-up."""

import board_rp2
import board_settings
from bridge import Bridge

if board_rp2.is_service_wanted():
    print("service input tied to GND: the bridge doesn't start")
else:
    Bridge(board_rp2.Rp2Board(), board_settings.RATE_HZ, board_settings.RING_ROWS).run()
