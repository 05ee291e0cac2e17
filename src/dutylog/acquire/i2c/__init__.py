"""Chips on an I²C bus: thermocouple converters, analogue converters, multiplexers (shared/I2C.md)."""
