"""A receiver that speaks NMEA 0183: bytes, sentences, what of them is believed, rows."""
