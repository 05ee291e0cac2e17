"""RMC and GGA of NMEA 0183, from any talker; the one place that knows pynmeagps."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, time
from typing import Any

from pynmeagps import (  # type: ignore[import-untyped]
    NMEAMessageError,
    NMEAParseError,
    NMEAReader,
    NMEAStreamError,
    NMEATypeError,
)

from dutylog.errors import FrameError

MPS_PER_KNOT = 1852.0 / 3600.0
"""Exact. Source: international nautical mile, 1852 m (SI Brochure, 8th edition, table 8)."""

_TIME = r"(?:\d{6}(?:\.\d{1,6})?)?"
_LATITUDE = r"(?:\d\d[0-5]\d\.\d+)?,[NS]?"
_LONGITUDE = r"(?:\d{3}[0-5]\d\.\d+)?,[EW]?"
_NUMBER = r"(?:\d{1,6}(?:\.\d*)?)?"
_RMC = re.compile(
    rf"..RMC,{_TIME},[AV],{_LATITUDE},{_LONGITUDE},{_NUMBER},{_NUMBER},(?:\d{{6}})?,{_NUMBER},[A-Z]?(?:,[A-Z]?){{0,2}}"
)
_GGA = re.compile(rf"..GGA,{_TIME},{_LATITUDE},{_LONGITUDE},\d?,\d{{0,2}},{_NUMBER}(?:,[0-9A-Z.-]*){{6,7}}")
"""Shapes, narrower than a checksum of eight bits: a sentence spliced from two rarely keeps number and width of its
fields. RMC has 11 fields, 12 from version 2.3 on (mode), 13 from 4.1 on; GGA 14, and one receiver of the open logs
appends a 15th. In RMC's eleventh, east or west of the variation, an old one puts the mode.
Source: gpsd project, "NMEA Revealed" (from memory); counts measured on the open logs (shared/GPS.md)."""


@dataclass(frozen=True, slots=True)
class Rmc:
    """What RMC says. tod_s: time of day [s, UTC]; position, speed, date: None where the field is empty.

    mode: 'A' autonomous, 'D' differential, 'F' 'R' real time kinematic, 'P' precise, 'E' estimated,
    'M' by hand, 'S' simulator, 'N' none; '' before version 2.3.
    """

    tod_s: float | None
    is_valid: bool
    mode: str
    position_deg: tuple[float, float] | None
    speed_mps: float | None
    date: date | None


@dataclass(frozen=True, slots=True)
class Gga:
    """What GGA says. quality: 0 none, 1 to 5 measured, 6 estimated, 7 by hand, 8 simulator."""

    tod_s: float | None
    quality: int
    position_deg: tuple[float, float] | None
    satellites: int | None
    hdop: float | None


def parse_sentence(body: bytes) -> Rmc | Gga | None:
    """Return what a sentence says, None for a kind that isn't read.

    Args:
        body: from behind '$' to before '*', its checksum already checked.
    Raises:
        FrameError: it is called RMC or GGA but isn't built like one.
    """
    kind = body[2:6]
    # Proprietary sentences begin with P and a maker's three letters; one of them ends in "RMC".
    if kind not in (b"RMC,", b"GGA,") or not body[:2].isalnum() or body[:1] == b"P":
        return None
    text = body.decode("ascii", "replace")
    if (_RMC if kind == b"RMC," else _GGA).fullmatch(text) is None:
        raise FrameError(f"GPS sentence with odd fields: ${text}; a damaged line or two spliced into one")
    message = _parse(body)
    return _to_rmc(message) if kind == b"RMC," else _to_gga(message)


def _parse(body: bytes) -> Any:
    """Return the library's message, its errors as ours; without its checksum check, done before."""
    try:
        message = NMEAReader.parse(b"$" + body + b"*00\r\n", validate=0)
    except (NMEAParseError, NMEAMessageError, NMEATypeError, NMEAStreamError) as err:
        raise FrameError(f"GPS sentence not understood: ${body.decode('ascii', 'replace')}: {err}") from err
    if message is None:
        raise FrameError(f"GPS sentence of an unknown kind: ${body.decode('ascii', 'replace')}")
    return message


def _to_rmc(message: Any) -> Rmc:
    speed_knots = message.spd
    return Rmc(
        tod_s=_to_tod_s(message.time),
        is_valid=message.status == "A",
        mode=getattr(message, "posMode", ""),
        position_deg=_to_position_deg(message),
        speed_mps=None if speed_knots == "" else float(speed_knots) * MPS_PER_KNOT,
        date=message.date if isinstance(message.date, date) else None,
    )


def _to_gga(message: Any) -> Gga:
    return Gga(
        tod_s=_to_tod_s(message.time),
        quality=0 if message.quality == "" else int(message.quality),
        position_deg=_to_position_deg(message),
        satellites=None if message.numSV == "" else int(message.numSV),
        # Receivers write 0 or 99.99 where they have none; 0 can't be a dilution.
        hdop=None if message.HDOP == "" or message.HDOP == 0 else float(message.HDOP),
    )


def _to_tod_s(value: object) -> float | None:
    """Return the time of day [s]; the library gives '' for a time that is none, a leap second's 60 among them."""
    if not isinstance(value, time):
        return None
    return value.hour * 3600 + value.minute * 60 + value.second + value.microsecond * 1e-6


def _to_position_deg(message: Any) -> tuple[float, float] | None:
    """Return (latitude, longitude) [deg], north and east positive; None unless whole and on this globe."""
    latitude, longitude = message.lat, message.lon
    if latitude == "" or longitude == "" or message.NS == "" or message.EW == "":
        return None
    if abs(latitude) > 90.0 or abs(longitude) > 180.0:
        return None
    return float(latitude), float(longitude)
