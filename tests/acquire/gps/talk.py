"""Sentences made to measure, and a line that says them; the vehicle drives north along a meridian."""

from __future__ import annotations

from functools import reduce
from operator import xor

from dutylog.clock import ManualClock
from dutylog.errors import SourceLost

M_PER_DEG = 6_371_008.8 * 3.141592653589793 / 180.0
KNOTS_PER_MPS = 3600.0 / 1852.0
START_DEG = (45.0, 7.0)


def seal(body):
    """Return a body as a whole sentence, with the checksum it ought to have."""
    return f"${body}*{reduce(xor, body.encode(), 0):02X}\r\n".encode()


def to_time(tod_s):
    """Return hhmmss.sss of a time of day [s]."""
    tod_ms = round(tod_s * 1000) % 86_400_000
    seconds, ms = divmod(tod_ms, 1000)
    return f"{seconds // 3600:02d}{seconds // 60 % 60:02d}{seconds % 60:02d}.{ms:03d}"


def to_place(position_deg):
    """Return the four fields of a position, to a ten-thousandth of a millimetre."""
    fields = []
    for value, width, letters in zip(position_deg, (2, 3), ("NS", "EW"), strict=True):
        degrees, minutes = divmod(round(abs(value) * 60e8), 60 * 10**8)
        fields += [f"{degrees:0{width}d}{minutes // 10**8:02d}.{minutes % 10**8:08d}", letters[value < 0]]
    return ",".join(fields)


def north_of(metres, start_deg=START_DEG):
    """Return the position so many metres north."""
    return start_deg[0] + metres / M_PER_DEG, start_deg[1]


def rmc(tod_s, position_deg=START_DEG, speed_mps=0.0, status="A", mode="A", date="010726", talker="GN"):
    return seal(
        f"{talker}RMC,{to_time(tod_s)},{status},{to_place(position_deg)},"
        f"{speed_mps * KNOTS_PER_MPS:.6f},0.0,{date},,,{mode}"
    )


def gga(tod_s, position_deg=START_DEG, quality=1, satellites=9, hdop="0.9", talker="GN"):
    return seal(
        f"{talker}GGA,{to_time(tod_s)},{to_place(position_deg)},{quality},{satellites:02d},{hdop},100.0,M,47.0,M,,"
    )


def epoch(tod_s, position_deg=START_DEG, speed_mps=0.0, **changes):
    """Return RMC and GGA of one instant; `changes` go to whichever knows them."""
    to_gga = {key: value for key, value in changes.items() if key in ("quality", "satellites", "hdop")}
    to_rmc = {key: value for key, value in changes.items() if key not in to_gga}
    return rmc(tod_s, position_deg, speed_mps, **to_rmc) + gga(tod_s, position_deg, **to_gga)


def drive(seconds, speed_mps=10.0, tod_s=43_200.0, step_s=1.0):
    """Return the epochs of a steady drive north."""
    count = round(seconds / step_s)
    return [epoch(tod_s + i * step_s, north_of(i * step_s * speed_mps), speed_mps) for i in range(count)]


class FakeLine:
    """A line on a manual clock: says `pieces` at their instants [s], and is gone at `lost_s`."""

    def __init__(self, clock: ManualClock, pieces, lost_s=None):
        self._clock = clock
        self._pieces = sorted(pieces, key=lambda piece: piece[0])
        self._lost_ns = None if lost_s is None else round(lost_s * 1e9)
        self.closed = 0

    def read(self, limit_s):
        now_ns = self._clock.mono_ns()
        if self._lost_ns is not None and now_ns >= self._lost_ns:
            raise SourceLost("line: gone")
        until_ns = now_ns + round(limit_s * 1e9)
        if self._pieces and round(self._pieces[0][0] * 1e9) <= until_ns:
            at_s, data = self._pieces.pop(0)
            self._clock.advance(max(0.0, (round(at_s * 1e9) - now_ns) / 1e9))
            return data
        self._clock.advance(limit_s)
        return b""

    def close(self):
        self.closed += 1
